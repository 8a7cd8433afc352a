"""The body of a webhook as its owner writes it: a Jinja template in the contact's section, filled in by a child."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

from collector.config.refused import Refused
from forecaster.texts.catalogue import Said

CHILD = Path(__file__).with_name("template_child.py")

PATIENCE_S = 20.0
"""How long the child may take altogether, on a machine with other work [s]."""

OF_THE_LANGUAGE = frozenset({"loop", "caller", "varargs", "kwargs"})
"""Names that Jinja gives within loops and macros."""

NAMES = frozenset({
    "id", "site", "kind", "priority", "state", "raised", "changed", "cleared", "acknowledged", "shelved_until", "by",
    "headline", "action", "consequence", "revision", "site_name", "timezone", "transition", "at", "test", "afar", "key",
})  # fmt: skip
"""What a template may name: the fields of the JSON body that every message has, without those of people."""


def checked(text: str) -> str:
    """The text of a template that can be read; ValueError with what is wrong, for the site file's line.

    Nothing of it is worked out here, not even what does not change: `{{ 9 ** 9 ** 9 }}` would never end.
    """
    from jinja2 import TemplateSyntaxError, nodes
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    try:
        read = ImmutableSandboxedEnvironment().parse(text)
        names = list(read.find_all(nodes.Name))
        macros = {macro.name for macro in read.find_all(nodes.Macro)}
    except TemplateSyntaxError as error:
        raise Refused(
            Said("config.the_template_cannot_be_read_in", lineno=error.lineno, message=error.message),
            Said("config.mend_it"),
        ) from error
    except RecursionError as error:
        raise Refused(Said("config.it_is_nested_too_deeply"), Said("config.flatten_it")) from error
    own = {name.name for name in names if name.ctx != "load"} | macros
    unknown = {name.name for name in names if name.ctx == "load"} - own - NAMES - OF_THE_LANGUAGE
    if unknown:
        raise Refused(
            Said("config.the_template_names", sorted=sorted(unknown)[0]),
            Said("config.it_may_name", names=", ".join(sorted(NAMES))),
        )
    return text


def rendered(text: str, values: Mapping[str, Any]) -> str:
    """A template filled in. ValueError where the values do not allow what it asks, or where that takes too much."""
    asked = msgspec.json.encode({"template": text, "values": values})
    try:
        done = subprocess.run(
            [sys.executable, "-I", str(CHILD)],
            input=asked,
            capture_output=True,
            timeout=PATIENCE_S,
            env={},
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise Refused(Said("config.the_template_cannot_be_filled_in", error=type(error).__name__)) from error
    if done.returncode == 0:
        return done.stdout.decode()
    said = done.stderr.decode(errors="replace").strip() if done.returncode == 1 else ""
    raise Refused(
        Said("config.the_template_cannot_be_filled_in", error=said)
        if said and "\n" not in said
        else Said("config.the_template_takes_too_much")
    )
