"""The array type of the core, and arrays in snapshots: exact, compact, readable by any JSON or msgpack encoder."""

from __future__ import annotations

from base64 import b64decode, b64encode
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecaster.domain.errors import SnapshotError

Array = NDArray[np.float64]

Single = NDArray[np.float32]
"""Paths of many draws ahead: half the memory, and far finer than anything that is known of them."""

Paths = NDArray[np.floating[Any]]
"""Paths of either precision; what is computed from them has theirs."""


def summed_along(rises: Single) -> Single:
    """Sums along each row, from 0: (N, T) of (N, T - 1), laid out by columns.

    numpy's own adds one number after the other, each of which waits for the last; here whole columns are added.
    """
    total: Single = np.zeros((rises.shape[1] + 1, rises.shape[0]), dtype=np.float32)
    total[1:] = rises.T
    for before, here in pairwise(total):
        np.add(before, here, out=here)
    return total.T


def rises_along(paths: Paths) -> Paths:
    """From each value of a row to the next, (N, T - 1) of (N, T): as numpy has it, with fewer checks."""
    return np.asarray(paths[:, 1:] - paths[:, :-1])


def peaks_along(values: Paths) -> Paths:
    """The greatest value of each row so far: (N, T) of (N, T), laid out by columns, as `summed_along` has sums."""
    peaks = np.array(values.T, order="C")
    for before, here in pairwise(peaks):
        np.maximum(before, here, out=here)
    return peaks.T


def pack_array(values: NDArray[np.float64]) -> dict[str, object]:
    """An array as its shape and its little-endian float64 bytes in base64."""
    return {"shape": list(values.shape), "f8": b64encode(values.astype("<f8").tobytes()).decode("ascii")}


def unpack_array(packed: object) -> NDArray[np.float64]:
    """The array that pack_array packed, in its shape. Errors: SnapshotError where it is something else."""
    if (
        not isinstance(packed, dict)
        or not isinstance(packed.get("f8"), str)
        or not isinstance(packed.get("shape"), list)
    ):
        raise SnapshotError("a stored array is neither shape nor numbers; start the site anew from its readings")
    try:
        flat = np.frombuffer(b64decode(packed["f8"], validate=True), dtype="<f8")
        return np.asarray(flat.reshape(packed["shape"]), dtype=np.float64).copy()
    except ValueError as error:
        raise SnapshotError(
            f"a stored array cannot be read ({error}); start the site anew from its readings"
        ) from error
