"""Cells that a logger wrote over several lines between quotes, brought to one line each; lines keep their numbers."""

import csv

MOST_LINES = 6


def on_one_line(text: str, delimiter: str, quote: str, columns: int) -> str:
    """
    Bring each quoted cell that spans lines to one line, with an empty line left for every line it took.

    Lines are joined only if the joined row has as many cells as the header and none of the lines is a whole row by
    itself: a quote too many in one row must not swallow the rows after it.
    """
    lines = text.split("\n")
    odd = [place for place, line in enumerate(lines) if line.count(quote) % 2]
    at = 0
    while at + 1 < len(odd):
        first, last = odd[at], odd[at + 1]
        joined = " ".join(line.rstrip("\r") for line in lines[first:last + 1])
        if last - first < MOST_LINES and _cells(joined, delimiter, quote) == columns and not any(
                _cells(line, delimiter, quote) >= columns for line in lines[first + 1:last + 1]):
            lines[first:last + 1] = [joined, *[""] * (last - first)]
            at += 2
        else:
            at += 1
    return "\n".join(lines)


def _cells(line: str, delimiter: str, quote: str) -> int:
    try:
        return len(next(csv.reader([line], delimiter=delimiter, quotechar=quote), []))
    except csv.Error:
        return 0
