"""Texts of the catalogue in HTML: what they set between backticks, as a terminal shows it, is code."""

from __future__ import annotations

import re

from markupsafe import Markup, escape

CODE = re.compile(r"`([^`\n]+)`")


def with_code(text: str) -> Markup:
    """A text, escaped, with what stands between backticks as code."""
    return Markup(CODE.sub(r"<code>\1</code>", str(escape(text))))
