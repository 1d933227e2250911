"""Every piece of a family's page, gathered the way an executed notebook holds them."""

from html.parser import HTMLParser
from pathlib import Path

import nbformat
from repair_horizon.logs import read_settings
from repair_horizon.reports.html import Chart
from repair_horizon.reports.sections import bid_story as bid_sections
from repair_horizon.reports.sections import charts as page_charts
from repair_horizon.reports.sections import family_tables as sections
from repair_horizon.reports.sections import records
from repair_horizon.reports.sections import repairs_seen as fault_sections

DEMO = Path(__file__).parent.parent / "data" / "demo"


def all_charts(month):
    return [
        page_charts.waterfall_piece(month),
        page_charts.stop_piece(month),
        page_charts.price_piece(month),
        page_charts.scissors_piece(month),
        *page_charts.bid_pieces(month),
        bid_sections.sensitivity_piece(month),
        *page_charts.part_pieces(month),
        bid_sections.part_share_piece(month),
    ]


def all_tables(month):
    return [
        sections.opening(month),
        sections.verdicts(month),
        bid_sections.bid_change(month),
        bid_sections.stop_meanings(),
        *(sections.cautions(month, step) for step in ("buying", "repairing", "selling")),
        sections.stop_table(month),
        sections.models(month),
        fault_sections.fault_tree(month),
        fault_sections.yields(month),
        sections.next_months(month),
        records.fit_health(month),
        records.data_quality(month),
        records.settings_used(month, read_settings(DEMO)),
        records.glossary(),
    ]


def as_notebook(pieces):
    cells = []
    for piece in pieces:
        data = (
            piece._repr_mimebundle_()
            if isinstance(piece, Chart)
            else {"text/html": piece._repr_html_(), "text/plain": repr(piece)}
        )
        cell = nbformat.v4.new_code_cell("piece", execution_count=1)
        cell.outputs = [nbformat.v4.new_output("display_data", data=data)]
        cells.append(cell)
    return nbformat.v4.new_notebook(cells=cells)


class Elements(HTMLParser):
    """Elements, attributes and text of a page, as a browser would see them."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.words = [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)
