"""JSONPath against the examples of RFC 9535."""

from __future__ import annotations

from typing import Any

import pytest

from collector.decode.jsonpath import MISSING, compile_path, compile_single

STORE: Any = {
    "store": {
        "book": [
            {"category": "reference", "author": "Nigel Rees", "title": "Sayings of the Century", "price": 8.95},
            {"category": "fiction", "author": "Evelyn Waugh", "title": "Sword of Honour", "price": 12.99},
            {
                "category": "fiction",
                "author": "Herman Melville",
                "title": "Moby Dick",
                "isbn": "0-553-21311-3",
                "price": 8.99,
            },
            {
                "category": "fiction",
                "author": "J. R. R. Tolkien",
                "title": "The Lord of the Rings",
                "isbn": "0-395-19395-8",
                "price": 22.99,
            },
        ],
        "bicycle": {"color": "red", "price": 399},
    }
}
"""RFC 9535 section 1.5, figure 1."""

BOOKS = STORE["store"]["book"]

NAMES: Any = {"o": {"j j": {"k.k": 3}}, "'": {"@": 2}}
"""RFC 9535 section 2.3.1.3."""


@pytest.mark.parametrize(
    ("path", "selects"),
    [
        ("$.store.book[*].author", [b["author"] for b in BOOKS]),
        ("$..author", [b["author"] for b in BOOKS]),
        ("$..book[2]", [BOOKS[2]]),
        ("$..book[2].author", ["Herman Melville"]),
        ("$..book[2].publisher", []),
        ("$..book[-1]", [BOOKS[3]]),
        ("$..book[0,1]", BOOKS[:2]),
        ("$..book[:2]", BOOKS[:2]),
        ("$..book[?@.isbn]", BOOKS[2:]),
        ("$..book[?@.price<10]", [BOOKS[0], BOOKS[2]]),
        ("$.store.bicycle.color", ["red"]),
        ("$", [STORE]),
    ],
)
def test_the_store_of_table_2(path: str, selects: list[Any]) -> None:
    """RFC 9535 section 1.5, table 2."""
    assert compile_path(path)(STORE) == selects


@pytest.mark.parametrize("path", ["$.store..price", "$.store.*"])
def test_those_whose_order_is_free(path: str) -> None:
    """RFC 9535 section 1.5, table 2: the members of an object come in any order."""
    found = compile_path(path)(STORE)
    wanted = [8.95, 12.99, 8.99, 22.99, 399] if "price" in path else [BOOKS, STORE["store"]["bicycle"]]
    assert len(found) == len(wanted)
    assert all(value in found for value in wanted)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("$.o['j j']", {"k.k": 3}),
        ("$.o['j j']['k.k']", 3),
        ('$.o["j j"]["k.k"]', 3),
        ('$["\'"]["@"]', 2),
    ],
)
def test_names(path: str, value: Any) -> None:
    """RFC 9535 section 2.3.1.3, table 5."""
    assert compile_path(path)(NAMES) == [value]
    single = compile_single(path)
    assert single is not None
    assert single(NAMES) == value


@pytest.mark.parametrize(("path", "found"), [("$[1]", ["b"]), ("$[-2]", ["a"]), ("$[2]", []), ("$[-3]", [])])
def test_indices(path: str, found: list[str]) -> None:
    """RFC 9535 section 2.3.3.3, table 7; beyond the array nothing is selected."""
    assert compile_path(path)(["a", "b"]) == found


@pytest.mark.parametrize("path", ["$.a.b", "$['a'][0]", "$[0]", "$.a[-1].b", "$"])
def test_a_plain_path_is_followed_as_the_library_follows_it(path: str) -> None:
    """The compiled look-up against the reference library for values of every shape."""
    import jsonpath_rfc9535

    single = compile_single(path)
    assert single is not None
    shapes: list[Any] = [None, 1, "a", [], {}, {"a": 1}, {"a": {"b": None}}, {"a": [{"b": 0}]}, [[1]], {"a": "text"}]
    for shape in shapes:
        theirs = list(jsonpath_rfc9535.find(path, shape).values())
        ours = single(shape)
        assert ([] if ours is MISSING else [ours]) == theirs
        assert compile_path(path)(shape) == theirs


@pytest.mark.parametrize("path", ["", "store", "$.", "$[", "$.a b", "$[?@.a==]", "$['a", "$.a..", " $"])
def test_what_is_no_path_is_refused(path: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        compile_path(path)
