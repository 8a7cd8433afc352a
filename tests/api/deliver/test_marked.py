"""A command named in a text is code in HTML, and nothing of a text becomes markup."""

from __future__ import annotations

import pytest

from api.deliver.marked import with_code


@pytest.mark.parametrize(
    ("text", "html"),
    [
        ("see `outlast check` and `value`", "see <code>outlast check</code> and <code>value</code>"),
        ("`<b>` & 'c'", "<code>&lt;b&gt;</code> &amp; &#39;c&#39;"),
        ("one ` alone", "one ` alone"),
        ("`a\nb`", "`a\nb`"),
    ],
)
def test_backticks_are_code(text: str, html: str) -> None:
    assert with_code(text) == html
