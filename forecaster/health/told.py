"""The newest study of a site's health as the interface tells it: read from the ledger, without pandas."""

from __future__ import annotations

from typing import Any

import msgspec

from forecaster.domain.longrecord import HousePart, PartState, PartTold, StudyRecord
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Site
from forecaster.record.levels import LevelDraws
from forecaster.record.peaks import PeakDraws
from forecaster.texts.catalogue import Words, decoded
from forecaster.water.seasonal import SeasonBelief, SeasonStudy

DAYS, HEALTH, STORM, SEASON = "days", "health", "storm", "season"
"""The kinds of study that the document rests on."""

KINDS = (DAYS, HEALTH, STORM, SEASON)


def health_told(ledger: Ledger, site: str) -> dict[str, Any]:
    """The document of GET /health. `as_of` is null and `parts` empty before the first study.

    `failed` : str | None — why the newest study failed, where it did; the rest is then the last good one.
    """
    study = ledger.study(site, HEALTH)
    found = _read(study)
    days, storm, season = (ledger.study(site, kind) for kind in (DAYS, STORM, SEASON))
    return {
        "site": site,
        "as_of": found.get("as_of"),
        "parts": [_bare(part) for part in found.get("parts", ())],
        "storm": _storm(_read(storm)),
        "season": _bare(_read(season)) or None,
        "work": [_bare(work) for work in found.get("work", ())],
        "failed": next((one.problem for one in (study, days, storm, season) if one and one.problem), None),
    }


def parts_told(study: StudyRecord | None) -> tuple[PartTold, ...]:
    """Every part of a study, in words that can be said in any language; none where there is no study."""
    return tuple(
        PartTold(
            HousePart(part["part"]),
            PartState(part["state"]),
            said(part, "says"),
            said(part, "do"),
            part["change"]["p50"],
            part.get("pump") or "",
        )
        for part in _read(study).get("parts", ())
    )


def part_name(part: dict[str, Any], words: Words) -> str:
    """The name of a part in a language, with that of its pump where there are two."""
    name = words(f"part.{part['part']}")
    return words("health.part_of_pump", pump=part["pump"], part=name) if part.get("pump") else name


def storm_told(ledger: Ledger, site: str, words: Words) -> tuple[str, str] | None:
    """What the newest study says of the storm margin, and what to do, in a language; None before the first."""
    found = _read(ledger.study(site, STORM))
    return (words.again(said(found, "says")), words.again(said(found, "do"))) if found else None


def season_told(ledger: Ledger, site: str, words: Words) -> str | None:
    """What the newest study says of the season, in a language; None before the first."""
    found = _read(ledger.study(site, SEASON))
    return words.again(said(found, "says")) if found else None


def season_belief(ledger: Ledger, site: str) -> SeasonBelief | None:
    """The season as the newest study learnt it; None where it did not."""
    study = season_study(ledger, site)
    return None if study is None else study.belief


def season_study(ledger: Ledger, site: str) -> SeasonStudy | None:
    """The same with its date; None where the newest study did not learn a season."""
    study = ledger.study(site, SEASON)
    draws = _read(study).get("draws")
    return None if study is None or draws is None else SeasonStudy(study.made_ms, SeasonBelief.of(draws))


def storm_rate(ledger: Ledger, site: str) -> float | None:
    """What the pump lifts by the newest study of storms [L/min]; None where it is not known."""
    rate = _read(ledger.study(site, STORM)).get("pump_rate_l_per_min")
    return None if rate is None else float(rate)


def storm_draws(ledger: Ledger, site: Site) -> PeakDraws | LevelDraws | None:
    """What the newest study believes of the storms to come, by the owner's rain table where it could use that; None
    where it does not. A table that was taken out of the site file, or changed, since that study is used no more.
    """
    found = _read(ledger.study(site.id, STORM))
    draws, by_table = found.get("draws"), found.get("table_draws")
    record = None if draws is None else PeakDraws.of(draws)
    stands = site.rain_table is not None and found.get("table_stamp") in (None, site.rain_table.stamp)
    return LevelDraws.of(by_table, record) if by_table is not None and stands else record


def said(row: dict[str, Any], field: str) -> str:
    """A text of a row, which can be said again in any language."""
    codes = row.get("codes") or {}
    return decoded(codes[field], row[field]) if field in codes else str(row[field])


def rows_told(
    study: StudyRecord | None, words: Words, *, courses: bool = False
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Parts and work of a study with their texts said in a language; courses : with each part's course in time."""
    found = _read(study)
    parts = [
        {
            **(part if courses else _bare(part)),
            "says": words.again(said(part, "says")),
            "do": words.again(said(part, "do")),
        }
        for part in found.get("parts", ())
    ]
    return parts, [{**_bare(work), "did": words.again(said(work, "did"))} for work in found.get("work", ())]


UNTOLD = frozenset({"codes", "course", "draws", "table_draws", "table_stamp"})
"""Fields of a row that a study keeps for others, and that are not told."""


def _bare(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name not in UNTOLD}


def _storm(found: dict[str, Any]) -> dict[str, Any] | None:
    """The storm margin; an older release's study knew no six hours and no rain table."""
    if not found:
        return None
    levels_from = "record" if found["return_levels"] else None
    return {"return_levels_six_hours": [], "levels_from": levels_from, **_bare(found)}


def _read(study: StudyRecord | None) -> dict[str, Any]:
    return {} if study is None else dict(msgspec.json.decode(study.document))
