"""Smooth tables read for every interval at once: the only interpolation the chain uses in its time path."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def place_on_axis(values: Floats, first: float, last: float, count: int) -> tuple[NDArray[np.int64], Floats]:
    """
    Find the cell and the share inside it on an evenly spaced axis; values beyond an end are held there.

    Parameters
    ----------
    values : ndarray, shape (n,)
        NaN lands in the first cell with a NaN share. [any]
    first, last : float
        Ends of the axis, last above first. [unit of values]
    count : int
        Knots on the axis. [1]

    Returns
    -------
    cell, share : ndarray, shape (n,)
        [1]
    """
    position = np.clip((values - first) * ((count - 1) / (last - first)), 0.0, count - 1.0)
    cell = np.minimum(np.nan_to_num(position), count - 2.0).astype(np.int64)
    return cell, position - cell


@dataclass(frozen=True)
class GridTable:
    """Values on a grid whose two axes are even; `columns` maps a name to an array of shape (rows, cols)."""

    row_first: float
    row_last: float
    col_first: float
    col_last: float
    columns: dict[str, Floats]

    def read(self, row: ArrayLike, col: ArrayLike, *names: str) -> list[Floats]:
        """
        Read columns by bilinear interpolation, held beyond the edges.

        Parameters
        ----------
        row, col : array_like, shape (n,)
            In the units of the axes. [any]
        names : str
            Columns wanted. [1]

        Returns
        -------
        values : list of ndarray, shape (n,)
            In the order of `names`. [any]
        """
        rows, cols = np.broadcast_arrays(np.asarray(row, dtype=np.float64), np.asarray(col, dtype=np.float64))
        shape = next(iter(self.columns.values())).shape
        i, fi = place_on_axis(rows, self.row_first, self.row_last, shape[0])
        j, fj = place_on_axis(cols, self.col_first, self.col_last, shape[1])
        base = i * shape[1] + j
        read = []
        for name in names:
            flat = self.columns[name].ravel()
            low = flat[base] + fj * (flat[base + 1] - flat[base])
            high = flat[base + shape[1]] + fj * (flat[base + shape[1] + 1] - flat[base + shape[1]])
            read.append(low + fi * (high - low))
        return read


@dataclass(frozen=True)
class LevelTable:
    """
    What follows from power at a water level.

    At each level the power axis runs from that level's own `start` (delivery begins) to its own `end` (cap), with
    knots even in the square root of the way between: the kink where delivery begins falls on a knot at every level,
    and the steep rise after it is straight. `columns` have shape (levels, knots).
    """

    level_first: float
    level_last: float
    start: Floats
    end: Floats
    columns: dict[str, Floats]

    def locate(self, power: ArrayLike, level: ArrayLike) -> "TablePlace":
        """
        Find where rows stand, once for all columns.

        Parameters
        ----------
        power, level : array_like, shape (n,)
            In the units of the axes. [any]

        Returns
        -------
        place : TablePlace
        """
        powers, levels = np.broadcast_arrays(np.asarray(power, dtype=np.float64), np.asarray(level, dtype=np.float64))
        i, fi = place_on_axis(levels, self.level_first, self.level_last, self.start.size)
        start = self.start[i] + fi * (self.start[i + 1] - self.start[i])
        end = self.end[i] + fi * (self.end[i + 1] - self.end[i])
        knots = next(iter(self.columns.values())).shape[1]
        with np.errstate(invalid="ignore", divide="ignore"):
            way = np.sqrt(np.clip((powers - start) / np.maximum(end - start, 1e-12), 0.0, 1.0)) * (knots - 1)
        j = np.minimum(np.nan_to_num(way), knots - 2.0).astype(np.int64)
        return TablePlace(self, i * knots + j, fi, way - j, powers, start, end)


@dataclass(frozen=True)
class TablePlace:
    """Rows placed in a `LevelTable`."""

    table: LevelTable
    base: NDArray[np.int64]
    level_share: Floats
    way_share: Floats
    power: Floats
    start: Floats
    end: Floats

    def read(self, name: str) -> Floats:
        """
        Read one column.

        Parameters
        ----------
        name : str
            Column. [1]

        Returns
        -------
        values : ndarray, shape (n,)
            NaN where power or level is not known. [any]
        """
        column = self.table.columns[name]
        flat, knots, base = column.ravel(), column.shape[1], self.base
        low = flat[base] + self.way_share * (flat[base + 1] - flat[base])
        high = flat[base + knots] + self.way_share * (flat[base + knots + 1] - flat[base + knots])
        return np.asarray(low + self.level_share * (high - low), dtype=np.float64)
