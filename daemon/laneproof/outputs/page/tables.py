"""Tables of the page: a header for each column and each row, and on a phone each cell with its column's name."""

from collections.abc import Callable, Sequence
from typing import TypeVar

from laneproof.outputs.markup import Markup, tag, write_section

Row = TypeVar("Row")
Cell = Markup | str


def write_table(
    title: str, rows: Sequence[Row], columns: Sequence[tuple[str, Callable[[Row], Cell]]], *below: Markup
) -> Markup:
    """Write a section with a table: the title's last word is its name, a row's first column heads the row."""
    name = title.rsplit(maxsplit=1)[-1].lower()
    head = tag("tr", *(tag("th", column, scope="col", role="columnheader") for column, _ in columns), role="row")
    table = tag(
        "table",
        tag("thead", head, role="rowgroup"),
        tag("tbody", *(_write_row(row, columns) for row in rows), role="rowgroup"),
        role="table",
        aria_labelledby=name,
    )
    return write_section(title, tag("div", table, class_="wide"), *below, name=name)


def _write_row(row: Row, columns: Sequence[tuple[str, Callable[[Row], Cell]]]) -> Markup:
    (title, write), *others = columns
    first = tag("th", write(row), scope="row", role="rowheader", data_label=title)
    cells = [tag("td", write_cell(row), role="cell", data_label=name) for name, write_cell in others]
    return tag("tr", first, *cells, role="row")
