"""One Markdown table, for every report that is kept in a document."""

from collections.abc import Sequence


def markdown_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table of texts as Markdown."""
    lines = [f"| {' | '.join(head)} |", f"|{'|'.join('---' for _ in head)}|"]
    return "\n".join(lines + [f"| {' | '.join(row)} |" for row in rows])
