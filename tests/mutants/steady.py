"""A pytest plugin: the same examples in every run, so that a mutant's fate is no matter of luck."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile("mutants", derandomize=True, database=None, suppress_health_check=list(HealthCheck))
settings.load_profile("mutants")
