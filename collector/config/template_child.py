"""The child process in which an owner's template is filled in: it may take a second, some memory, and reach nothing.

Run as a script, apart from everything of ours: in comes {"template": …, "values": {…}} as JSON, out goes the text, or
exit 1 with what is wrong in it, or another where it took too much. A power, a filter or a doubling in a template can
take all the memory there is at once, which nothing within the same process could stop.
"""

from __future__ import annotations

import json
import resource
import sys

LONGEST_BYTES = 64 * 1024
"""Most bytes of a body."""

PROCESSOR_S = 2
"""Processor time [s], of which the start takes some tenths on a small board."""

MEMORY_BYTES = 192 * 2**20
"""Address space: Python and Jinja take a third of it."""


def main() -> int:
    """Fill in one template. Exit code: 0 done, 1 with the reason on stderr, 3 where the text is too long."""
    for what, most in ((resource.RLIMIT_CPU, PROCESSOR_S), (resource.RLIMIT_AS, MEMORY_BYTES)):
        hard = resource.getrlimit(what)[1]
        resource.setrlimit(what, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))
    from jinja2 import StrictUndefined, TemplateError
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    asked = json.load(sys.stdin.buffer)
    environment = ImmutableSandboxedEnvironment(undefined=StrictUndefined, autoescape=False)  # most bodies are JSON
    try:
        body = environment.from_string(asked["template"]).render(asked["values"]).encode()
    except (
        TemplateError, TypeError, ValueError, ArithmeticError, LookupError, AttributeError, RecursionError, MemoryError,
    ) as error:  # fmt: skip
        sys.stderr.write(str(error)[:300] or type(error).__name__)
        return 1
    if len(body) > LONGEST_BYTES:
        return 3
    sys.stdout.buffer.write(body)
    return 0


if __name__ == "__main__":
    sys.exit(main())
