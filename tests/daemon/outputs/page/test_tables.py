"""A table of the page names its columns and its rows, for eyes, for ears and for a narrow screen."""

from laneproof.outputs.markup import tag
from laneproof.outputs.page.tables import write_table
from support.html_tree import read_html


def test_each_cell_has_its_column_and_each_row_its_header() -> None:
    columns = (("Name", lambda row: row[0]), ("Size", lambda row: tag("b", row[1])))
    section = read_html(write_table("All drives", [("a<b", "4 TB")], columns, tag("p", "below"))).one("section")
    table = section.one("table", **{"aria-labelledby": "drives"})
    assert [head.text for head in table.one("thead").all("th", scope="col")] == ["Name", "Size"]
    row = table.one("tbody").one("tr")
    assert (row.one("th", scope="row").text, row.one("td").text) == ("a<b", "4 TB")
    assert [cell.attributes["data-label"] for cell in (row.one("th"), row.one("td"))] == ["Name", "Size"]
    assert section.one("h2", id="drives").text == "All drives"
    assert section.one("p").text == "below"
