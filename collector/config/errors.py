"""Turns what pydantic complains of into one ConfigError: file, key, problem, fix."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from collector.config.refused import Refused
from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Figure, Said, words


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that is most similar to a given one, if any is similar enough."""
    found = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return found[0] if found else None


def dotted(location: Sequence[int | str]) -> str:
    """The dotted form of a location: ('channels', 2, 'unit') is channels[2].unit."""
    text = ""
    for part in location:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def config_error(error: ValidationError, model: type[BaseModel], file: str) -> ConfigError:
    """The first error as a ConfigError."""
    found = error.errors(include_url=False)
    detail = next((d for d in found if d["type"] == "extra_forbidden"), found[0])  # a slip explains what is missing
    return _config_error(detail, model, file)


def config_errors(error: ValidationError, model: type[BaseModel], file: str) -> list[ConfigError]:
    """All errors as ConfigErrors, one for each key: a value that fits no branch of a union is named once."""
    found = [_config_error(detail, model, file) for detail in error.errors(include_url=False)]
    return list({one.key: one for one in reversed(found)}.values())[::-1]


def _config_error(detail: ErrorDetails, model: type[BaseModel], file: str) -> ConfigError:
    kind, place = detail["type"], detail["loc"]
    location = [part for part in place if not _is_tag(part)]
    if kind == "extra_forbidden":  # the key itself may be named like a union's branch
        location = [*(part for part in place[:-1] if not _is_tag(part)), *place[-1:]]
    key = dotted(location)
    if kind == "extra_forbidden":
        name = str(location[-1])
        known = _keys_at(model, location[:-1])
        close = nearest(name, known)
        fix = Said("config.did_you_mean", close=close) if close else Said("config.known_here", names=", ".join(known))
        return ConfigError(file, key, Said("config.unknown_key"), fix)
    example = _example_at(model, location)
    fix = (
        Said("config.write_for_example", location=location[-1], example=example)
        if example and location
        else Said("config.mend_or_remove_it")
    )
    if kind == "missing" and len(location) == 1 and _model_at(model, location) is not None:
        fix = Said("config.add_a_section", section=location[0])
    if kind == "missing":
        return ConfigError(file, key, Said("config.it_is_missing"), fix)
    if kind == "value_error":
        refused = detail["ctx"]["error"]
        if isinstance(refused, Refused):
            return ConfigError(file, key, refused.problem, refused.fix or fix)
        problem, _, own_fix = str(refused).partition("; ")
        return ConfigError(file, key, problem, own_fix or fix)
    given = detail.get("input")
    choices = _choices_at(model, location)
    if kind in {"enum", "is_instance_of"} and choices:
        close = nearest(str(given), choices)
        fix = (
            Said("config.did_you_mean", close=close) if close else Said("config.it_is_one_of", names=", ".join(choices))
        )
        return ConfigError(file, key, Said("config.is_not_known_here", given=given), fix)
    if kind == "string_pattern_mismatch":
        return ConfigError(file, key, Said("config.cannot_be_used_here", given=given), fix)
    return ConfigError(file, key, _not_as_it_should(detail), fix)


def _not_as_it_should(detail: ErrorDetails) -> str:
    """What a value should be and is not: of a common kind from the catalogue, of any other in pydantic's words."""
    message = detail["msg"][:1].lower() + detail["msg"][1:]
    message = message.replace("input should", "it should")
    known = f"config.kind.{detail['type']}"
    what = Said(known, **_figures(detail.get("ctx", {}))) if known in words() else message
    given = detail.get("input")
    if isinstance(given, str | int | float | bool) and len(repr(given)) < 60:
        return Said("config.not_given", what=what, given=given)
    return what


def _figures(context: Mapping[str, Any]) -> dict[str, Any]:
    """The bounds of a constraint as pydantic writes them: a whole number without its point."""
    return {name: Figure(f"{value:.15g}") if isinstance(value, float) else value for name, value in context.items()}


def _is_tag(part: int | str) -> bool:
    """Whether a part of a location is pydantic's name of a union branch, not a key of the file."""
    return isinstance(part, str) and (
        part in {"int", "float", "str", "bool", "enum"} or "[" in part or part.startswith(("function-", "constrained"))
    )


def _model_at(model: type[BaseModel], location: Sequence[int | str]) -> type[BaseModel] | None:
    current: type[BaseModel] | None = model
    for part in location:
        if isinstance(part, int):
            continue
        if current is None:
            return None
        annotation = next(
            (field.annotation for name, field in current.model_fields.items() if (field.alias or name) == part), None
        )
        current = _model_in(annotation)
    return current


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for arg in get_args(annotation) if (found := _model_in(arg)) is not None), None)


def _keys_at(model: type[BaseModel], location: Sequence[int | str]) -> list[str]:
    at = _model_at(model, location)
    return [] if at is None else [field.alias or name for name, field in at.model_fields.items()]


def _field_at(model: type[BaseModel], location: Sequence[int | str]) -> Any:
    while location and isinstance(location[-1], int):
        location = location[:-1]
    if location and _model_at(model, location[:-1]) is None:
        location = location[:-1]  # a key of a free table
    at = _model_at(model, location[:-1]) if location else None
    if at is None:
        return None
    return next((field for name, field in at.model_fields.items() if (field.alias or name) == location[-1]), None)


def _example_at(model: type[BaseModel], location: Sequence[int | str]) -> str | None:
    field = _field_at(model, location)
    return str(field.examples[0]) if field is not None and field.examples else None


def _choices_at(model: type[BaseModel], location: Sequence[int | str]) -> list[str]:
    field = _field_at(model, location)
    if field is None:
        return []
    return [member.value for choice in _enums_in(field.annotation) for member in choice]


def _enums_in(annotation: Any) -> list[Any]:
    if hasattr(annotation, "__members__"):
        return [annotation]
    return [found for arg in get_args(annotation) for found in _enums_in(arg)]
