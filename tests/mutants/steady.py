"""A pytest plugin: the same examples in every run, so that neither luck nor a busy machine kills."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile(
    "mutants", derandomize=True, database=None, deadline=None, suppress_health_check=list(HealthCheck)
)
settings.load_profile("mutants")
