"""The body of a webhook as its owner writes it: a Jinja template in the contact's section, rendered in a sandbox."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from collector.config.refused import Refused
from forecaster.texts.catalogue import Said

if TYPE_CHECKING:
    from jinja2 import Template
    from jinja2.sandbox import ImmutableSandboxedEnvironment

NAMES = frozenset({
    "id", "site", "kind", "priority", "state", "raised", "changed", "cleared", "acknowledged", "shelved_until", "by",
    "headline", "action", "consequence", "revision", "site_name", "timezone", "transition", "at", "test", "afar", "key",
})  # fmt: skip
"""What a template may name: the fields of the JSON body that every message has, without those of people."""


def checked(text: str) -> str:
    """The text of a template that can be rendered; ValueError with what is wrong, for the site file's line."""
    from jinja2 import TemplateSyntaxError, meta

    try:
        unknown = meta.find_undeclared_variables(_environment().parse(text)) - NAMES
    except TemplateSyntaxError as error:
        raise Refused(
            Said("config.the_template_cannot_be_read_in", lineno=error.lineno, message=error.message),
            Said("config.mend_it"),
        ) from error
    if unknown:
        raise Refused(
            Said("config.the_template_names", sorted=sorted(unknown)[0]),
            Said("config.it_may_name", names=", ".join(sorted(NAMES))),
        )
    return text


def rendered(text: str, values: Mapping[str, Any]) -> str:
    """A template filled in. ValueError where the values do not allow what it asks of them."""
    from jinja2 import TemplateError

    try:
        return _compiled(text).render(values)
    except (TemplateError, TypeError, ValueError, ArithmeticError, LookupError) as error:
        raise Refused(Said("config.the_template_cannot_be_filled_in", error=str(error))) from error


@lru_cache(maxsize=64)
def _compiled(text: str) -> Template:
    return _environment().from_string(text)


def _environment() -> ImmutableSandboxedEnvironment:
    """A template reads what it is given and reaches nothing else; most bodies are JSON, so nothing is escaped."""
    from jinja2 import StrictUndefined
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    return ImmutableSandboxedEnvironment(undefined=StrictUndefined, autoescape=False)
