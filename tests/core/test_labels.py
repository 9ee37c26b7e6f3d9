"""Sheets of labels: each at its place, each symbol read by an independent decoder (zxing-cpp), damaged ones too."""

from __future__ import annotations

import io
import itertools

import pytest
import zxingcpp
from PIL import Image, ImageDraw

from lims.core.codes import printed
from lims.core.errors import Invalid
from lims.core.labels import PRINTER, SHEET, Label, Layout, draw_many, misfits

DOTS = 300 / 25.4  # dots in a millimetre at 300 dots per inch


def label(number: int, **facts) -> Label:
    code = f"S-{number:04d}"
    return Label(address=f"http://laboratory.test/c/{code}", code=code, title="paste, three sizes", **facts)


def read(drawn: bytes) -> dict[str, tuple[float, float]]:
    """The text of each symbol on a page, and where its middle lies in mm."""
    found = zxingcpp.read_barcodes(Image.open(io.BytesIO(drawn)))
    return {
        each.text: (
            (each.position.top_left.x + each.position.bottom_right.x) / 2 / DOTS,
            (each.position.top_left.y + each.position.bottom_right.y) / 2 / DOTS,
        )
        for each in found
    }


def test_labels_begin_at_the_position_asked_for_and_each_lies_on_its_own_place():
    labels = [label(n, lines=("taken today",), hazards=("H319",), pictograms=("GHS07",)) for n in (1, 2, 3)]
    symbols = read(draw_many(labels, layout=SHEET, start=6, kind="png"))
    assert set(symbols) == {each.address for each in labels}
    # positions 6, 7, 8 along rows of three: second row third, third row first and second
    for each, (column, row) in zip(labels, [(2, 1), (0, 2), (1, 2)], strict=True):
        x, y = symbols[each.address]
        assert column * 70 < x < column * 70 + 37
        assert 0.5 + row * 37 < y < 0.5 + (row + 1) * 37


def test_a_small_printer_gets_one_label_a_page_in_its_own_size():
    drawn = draw_many([label(n) for n in range(1, 4)], layout=PRINTER)
    assert b"/Count 3" in drawn  # the number of pages in a PDF's page tree (ISO 32000-1, 7.7.3.2)
    small = Image.open(io.BytesIO(draw_many([label(1)], layout=Layout(40, 20), kind="png")))
    assert small.size == (round(40 * DOTS), round(20 * DOTS))
    assert set(read(draw_many([label(1)], layout=Layout(40, 20), kind="png"))) == {label(1).address}


def test_a_symbol_with_a_tenth_of_it_blanked_still_reads():
    # ISO/IEC 18004: level Q restores about 25 % of the codewords
    drawn = Image.open(io.BytesIO(draw_many([label(7)], layout=PRINTER, kind="png"))).convert("RGB")
    [found] = zxingcpp.read_barcodes(drawn)
    corner, far = found.position.top_left, found.position.bottom_right
    side = far.x - corner.x
    edge = round(side * 0.1**0.5)
    middle = (corner.x + (side - edge) // 2, corner.y + (side - edge) // 2)
    ImageDraw.Draw(drawn).rectangle((*middle, middle[0] + edge, middle[1] + edge), fill="white")
    assert [each.text for each in zxingcpp.read_barcodes(drawn)] == [label(7).address]


def test_the_text_on_a_label_is_the_code_with_its_check_character():
    assert label(7).text_id == printed("S-0007")
    assert label(7).address.endswith("/c/S-0007")


@pytest.mark.parametrize(
    ("layout", "field"),
    [
        (Layout(70, 37, columns=4, rows=1, page_width=210, page_height=297), "columns"),
        (Layout(70, 37, columns=1, rows=9, page_width=210, page_height=297), "rows"),
        (Layout(70, 37, columns=2, page_width=210, page_height=297, pitch_across=60), "pitch_across"),
    ],
)
def test_a_layout_that_does_not_fit_names_the_field(layout, field):
    assert set(misfits(layout)) == {field}
    with pytest.raises(Invalid):
        draw_many([label(1)], layout=layout)


def test_no_two_places_of_the_usual_sheet_overlap():
    places = [SHEET.place(n)[1:] for n in range(SHEET.each)]
    for (x, y), (x2, y2) in itertools.combinations(places, 2):
        assert abs(x - x2) >= SHEET.width or abs(y - y2) >= SHEET.height
