"""`outlast demo`: a whole simulated installation, with nothing to set up and no network."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import tell
from api.commands.logs import LogFormat, LogLevel, log_to_stderr
from api.offline.demo import LEAD_S, Demo
from forecaster.texts.catalogue import Said


def demo(
    speed: Annotated[float, typer.Option(min=1.0, max=600.0)] = 60.0,
    seed: Annotated[int, typer.Option()] = 0,
    fail_after: Annotated[float, typer.Option(min=1.0)] = LEAD_S,
    port: Annotated[int, typer.Option(min=0, max=65_535)] = 8642,
) -> int:
    """Three cellars on Larkspur Lane in time-lapse: a storm, the mains failing within a minute, and its return."""
    log_to_stderr(LogLevel.ERROR, LogFormat.TEXT)
    with tempfile.TemporaryDirectory(prefix="outlast-demo-", ignore_cleanup_errors=True) as folder:
        simulated = Demo(Path(folder), speed=speed, seed=seed, port=port, lead_s=fail_after)
        tell(Said("cli.simulating_some_hours_before_now"))
        simulated.prepare()
        tell(Said("cli.outlast_demo_http_127_0_0", port=simulated.port))
        tell(Said("cli.one_second_is_s_there_or", speed=speed))
        tell(Said("cli.the_mains_fails_in_about_s", fails_in_s=simulated.fails_in_s))
        return simulated.run()
