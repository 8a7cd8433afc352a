"""`outlast size`: before anything is bought, will this pack start and carry this pump, and for how long."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, echo, echo_json
from api.offline.sizing_inputs import pack_from, site_of
from api.tongue import spoken
from collector.config.toml_file import read_toml
from collector.config.written import written
from forecaster.domain.errors import UsageError
from forecaster.domain.site import Load
from forecaster.sizing.answer import document
from forecaster.sizing.answer import size as sized
from forecaster.sizing.cord import Cord
from forecaster.sizing.options import Change
from forecaster.sizing.pipe import Pipe
from forecaster.sizing.question import ObservedStart, Question
from forecaster.sizing.terms import Answer
from forecaster.sizing.told import told
from forecaster.texts.catalogue import Said, words


def number_in(unit: str) -> Callable[[str | float], float]:
    """How an option reads a number in a unit: 12.5, 1/3, 18", 20 C. Wrong use where it is none."""

    def number(text: str | float) -> float:
        try:
            return written(text, unit) if isinstance(text, str) else text
        except ValueError as error:
            raise typer.BadParameter(str(error)) from None

    number.__name__ = "number"
    return number


IN_M, IN_W, IN_WH, IN_S, IN_H = (number_in(unit) for unit in ("m", "W", "Wh", "s", "h"))
IN_C, IN_PERCENT, BARE = (number_in(unit) for unit in ("degC", "percent", ""))

SiteFile = Annotated[Path, typer.Argument(metavar="SITE.toml")]
Cycles = Annotated[float | None, typer.Option("--cycles-per-hour", parser=BARE)]
RunS = Annotated[float | None, typer.Option("--run-s", parser=IN_S)]
RunningW = Annotated[float | None, typer.Option("--running-w", parser=IN_W)]
Packs = Annotated[list[Path] | None, typer.Option("--pack", metavar="SITE.toml")]
Loads = Annotated[
    list[str] | None,
    typer.Option("--load", metavar="NAME:WATTS[:RUNS_PER_HOUR:RUN_S[:START_VA]]"),
]
Started = Annotated[bool | None, typer.Option("--started/--did-not-start")]


def size(
    site_file: SiteFile,
    cycles_per_hour: Cycles = None,
    run_s: RunS = None,
    running_w: RunningW = None,
    charge: Annotated[float, typer.Option(parser=IN_PERCENT)] = 100.0,
    cord_awg: Annotated[int | None, typer.Option()] = None,
    cord_length_m: Annotated[float | None, typer.Option(parser=IN_M)] = None,
    pipe_bore_m: Annotated[float | None, typer.Option(parser=IN_M)] = None,
    pipe_length_m: Annotated[float | None, typer.Option(parser=IN_M)] = None,
    temperature_c: Annotated[float | None, typer.Option(parser=IN_C)] = None,
    end_of_life: Annotated[bool, typer.Option()] = False,
    started: Started = None,
    no_pump: Annotated[bool, typer.Option("--no-pump")] = False,
    load: Loads = None,
    pack: Packs = None,
    for_hours: Annotated[float | None, typer.Option(parser=IN_H)] = None,
    probability: Annotated[float, typer.Option(parser=BARE)] = 0.9,
    extra_wh: Annotated[float | None, typer.Option(parser=IN_WH)] = None,
    idle_w: Annotated[float | None, typer.Option(parser=IN_W)] = None,
    sun_w: Annotated[float | None, typer.Option(parser=IN_W)] = None,
    sky: Annotated[float, typer.Option(parser=BARE)] = 0.25,
    generator_h: Annotated[float | None, typer.Option(parser=IN_H)] = None,
    as_json: AsJson = False,
) -> int:
    """Will this pack start and carry this pump, and for how long? Exit 1 where the answer is no."""
    site = site_of(read_toml(site_file), str(site_file), pump=not no_pump)
    site = replace(site, loads=(*site.loads, *(parse_load(text) for text in load or ())))
    question = Question(
        cycles_per_hour=cycles_per_hour,
        run_s=run_s,
        running_w=running_w,
        charge_percent=charge,
        cord=_cord(cord_awg, cord_length_m),
        pipe=_pipe(pipe_bore_m, pipe_length_m),
        temperature_c=temperature_c,
        end_of_life=end_of_life,
        observed_start=None if started is None else ObservedStart(started),
        for_hours=for_hours,
        probability=probability,
        pump=not no_pump,
    )
    change = Change(extra_wh, idle_w, sun_w, sky, generator_h, start_ms=time.time_ns() // 1_000_000)
    others = [(str(path), pack_from(read_toml(path), str(path))) for path in pack or ()]
    answer = sized(site, question, change, others)
    if as_json:
        echo_json(document(answer))
    else:
        say = words(site.language) if site.language else spoken()
        echo(told(answer, say.of_site(site)))
    return 1 if any(part.answer is Answer.NO for part in answer.parts) else 0


def _cord(awg: int | None, length_m: float | None) -> Cord | None:
    if awg is None and length_m is None:
        return None
    if awg is None or length_m is None:
        missing = "cord_awg" if awg is None else "cord_length_m"
        raise UsageError(Said("cli.missing", missing=missing), Said("cli.a_cord_needs_both_its_gauge"))
    return Cord(awg, length_m)


def _pipe(bore_m: float | None, length_m: float | None) -> Pipe | None:
    if bore_m is None and length_m is None:
        return None
    if bore_m is None or length_m is None:
        missing = "pipe_bore_m" if bore_m is None else "pipe_length_m"
        raise UsageError(Said("cli.missing", missing=missing), Said("cli.a_pipe_needs_both_its_bore"))
    return Pipe(bore_m, length_m)


def parse_load(text: str) -> Load:
    """A load from NAME:WATTS[:RUNS_PER_HOUR:RUN_S[:START_VA]]; UsageError where it is none."""
    name, *figures = text.split(":")
    fix = Said("cli.write_load_router_12_or_load")
    try:
        numbers = [written(figure, "") for figure in figures]
    except ValueError:
        raise UsageError(Said("cli.load_has_a_part_that_is", text=text), fix) from None
    if not name or len(numbers) not in (1, 3, 4):
        raise UsageError(Said("cli.load_is_not_a_name_and", text=text), fix)
    if len(numbers) == 1:
        return Load(name, numbers[0])
    return Load(name, numbers[0], numbers[1], numbers[2], numbers[3] if len(numbers) == 4 else None)
