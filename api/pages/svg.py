"""Small pieces of SVG, escaped; every look comes from classes in the style sheet, never from attributes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from markupsafe import Markup, escape

Point = tuple[float, float]


def number(value: float) -> str:
    """A coordinate with at most one decimal, as short as it can be."""
    tenths = round(value * 10.0)
    return f"{tenths // 10}" if tenths % 10 == 0 else f"{tenths / 10:.1f}"


def element(name: str, attributes: Mapping[str, str | float], *children: str | Markup) -> Markup:
    """One element. Floats become coordinates, everything is escaped; children are escaped unless already Markup."""
    said = "".join(
        f' {key}="{number(value) if isinstance(value, (int, float)) else escape(value)}"'
        for key, value in attributes.items()
    )
    inner = "".join(escape(child) for child in children)
    return Markup(f"<{name}{said}>{inner}</{name}>" if inner else f"<{name}{said}/>")


def line(points: Iterable[Point], *, closed: bool = False) -> str:
    """Path data through points."""
    body = "L".join(f"{number(x)},{number(y)}" for x, y in points)
    return f"M{body}{'Z' if closed else ''}" if body else ""


def strokes(pairs: Sequence[tuple[Point, Point]]) -> str:
    """Path data of many separate strokes."""
    return "".join(f"M{number(a[0])},{number(a[1])}L{number(b[0])},{number(b[1])}" for a, b in pairs)


def text(at: Point, said: str, classes: str, anchor: str = "start") -> Markup:
    """A label; anchor is start, middle or end."""
    return element("text", {"x": at[0], "y": at[1], "class": classes, "text-anchor": anchor}, said)


def diamond(centre: Point, size: float) -> str:
    """Path data of a diamond."""
    x, y = centre
    return line([(x, y - size), (x + size, y), (x, y + size), (x - size, y)], closed=True)
