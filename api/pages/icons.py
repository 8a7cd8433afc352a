"""Draws the icons of the phone app: `python -m api.pages.icons` writes them anew into static/.

A water line, the ink of a charge that runs dry above it, and three runs of the pump below it. PNG is written by
hand (W3C PNG, third edition: signature, IHDR, IDAT, IEND), so that no imaging package is needed.
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np

STATIC = Path(__file__).with_name("static")
PAPER, INK, WATER, BRASS = (245, 240, 227), (23, 38, 45), (13, 93, 114), (125, 76, 0)
OVERSAMPLING = 4

Grid = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


def picture(size: int, margin: float) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    """RGB pixels of shape (size, size, 3); margin is the share left free at each edge."""
    fine = size * OVERSAMPLING
    ys, xs = np.mgrid[0:fine, 0:fine]
    x = (((xs + 0.5) / fine) - margin) / (1 - 2 * margin)
    y = (((ys + 0.5) / fine) - margin) / (1 - 2 * margin)
    canvas = np.empty((fine, fine, 3))
    canvas[:] = PAPER
    for shape, colour in shapes(x, y):
        canvas[shape] = colour
    small = canvas.reshape(size, OVERSAMPLING, size, OVERSAMPLING, 3).mean(axis=(1, 3))
    rounded: np.ndarray[tuple[int, ...], np.dtype[np.uint8]] = np.rint(small).astype(np.uint8)
    return rounded


def shapes(x: Grid, y: Grid) -> list[tuple[np.ndarray[tuple[int, ...], np.dtype[np.bool_]], tuple[int, int, int]]]:
    """The masks of the shapes in drawing order; x and y run from 0 to 1."""
    inside = (x >= 0) & (x <= 1)
    thickness = 0.17 * np.clip(1.0 - x, 0.0, 1.0) ** 0.75
    found = [(inside & (np.abs(y - 0.27) <= thickness), WATER)]
    found.append((inside & (np.abs(y - 0.56) <= 0.028), INK))
    found += [((np.abs(x - at) <= 0.032) & (y >= 0.64) & (y <= 0.64 + reach), WATER) for at, reach in RUNS]
    diamond = np.abs(x - 0.62) + np.abs(y - 0.56) <= 0.115
    core = np.abs(x - 0.62) + np.abs(y - 0.56) <= 0.062
    return [*found, (diamond, BRASS), (core, PAPER)]


RUNS = ((0.07, 0.30), (0.20, 0.30), (0.33, 0.30), (0.46, 0.30))


def png(pixels: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> bytes:
    """An 8-bit RGB PNG."""
    height, width, _ = pixels.shape
    rows = b"".join(b"\0" + row.tobytes() for row in pixels)
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", header) + _chunk(b"IDAT", zlib.compress(rows, 9)) + _chunk(b"IEND", b"")
    )


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def svg() -> str:
    """The same drawing as SVG, for the browser's tab."""
    upper = " ".join(f"{x},{27 - 17 * (1 - x / 100) ** 0.75:.1f}" for x in range(0, 101, 10))
    lower = " ".join(f"{x},{27 + 17 * (1 - x / 100) ** 0.75:.1f}" for x in range(100, -1, -10))
    bars = "".join(
        f'<rect x="{at * 100 - 3.2:.1f}" y="64" width="6.4" height="{reach * 100:.0f}"/>' for at, reach in RUNS
    )
    paper, ink, water, brass = (f"#{r:02x}{g:02x}{b:02x}" for r, g, b in (PAPER, INK, WATER, BRASS))
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-14 -14 128 128">'
        f'<rect x="-14" y="-14" width="128" height="128" rx="20" fill="{paper}"/>'
        f'<g fill="{water}"><polygon points="{upper} {lower}"/>{bars}</g>'
        f'<rect x="0" y="53.2" width="100" height="5.6" fill="{ink}"/>'
        f'<path d="M62 44.5 73.5 56 62 67.5 50.5 56z" fill="{brass}"/>'
        f'<path d="M62 49.8 68.2 56 62 62.2 55.8 56z" fill="{paper}"/></svg>\n'
    )


DRAWN = {"icon-192": (192, 0.12), "icon-512": (512, 0.12), "icon-mask": (512, 0.22)}
"""Name to size [pixels] and margin, as `picture` takes them."""


def write(folder: Path = STATIC) -> None:
    """Write all icons."""
    for name, (size, margin) in DRAWN.items():
        (folder / f"{name}.png").write_bytes(png(picture(size, margin)))
    (folder / "icon.svg").write_text(svg(), encoding="utf-8")


if __name__ == "__main__":
    write()
