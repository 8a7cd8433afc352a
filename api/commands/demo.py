"""`outlast demo`: a whole simulated installation, with nothing to set up and no network."""

from __future__ import annotations

import logging
import sys
import tempfile
from pathlib import Path
from typing import Annotated

import typer

from api.offline.demo import LEAD_S, Demo


def demo(
    speed: Annotated[float, typer.Option(min=1.0, max=600.0, help="Simulated seconds a second.")] = 60.0,
    seed: Annotated[int, typer.Option(help="Another seed is another storm, pump and pack.")] = 0,
    fail_after: Annotated[float, typer.Option(min=1.0, help="Seconds until the mains fails.")] = LEAD_S,
    port: Annotated[int, typer.Option(min=0, max=65_535, help="Where the pages are served; 0: any free port.")] = 8642,
) -> int:
    """Three cellars on Larkspur Lane in time-lapse: a storm, the mains failing within a minute, and its return.

    The readings are real MQTT messages through a broker of the demo's own; everything lives in a temporary folder
    and is gone when ctrl-C ends it.

    Example: outlast demo --speed 120 --seed 7
    """
    logging.basicConfig(stream=sys.stderr, level=logging.ERROR, format="%(levelname)s %(name)s %(message)s")
    with tempfile.TemporaryDirectory(prefix="outlast-demo-", ignore_cleanup_errors=True) as folder:
        simulated = Demo(Path(folder), speed=speed, seed=seed, port=port, lead_s=fail_after)
        typer.echo("Simulating some hours before now …")
        simulated.prepare()
        typer.echo(f"Outlast demo: http://127.0.0.1:{simulated.port}/")
        typer.echo(f"One second is {speed:g} s there, or less where this machine is busy.")
        typer.echo(f"The mains fails in about {simulated.fails_in_s:.0f} s. ctrl-C ends it.")
        return simulated.run()
