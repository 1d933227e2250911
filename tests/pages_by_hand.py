"""Every piece of a family's page, gathered the way an executed notebook holds them."""

from html.parser import HTMLParser

import nbformat
from demo_copies import DEMO
from repair_horizon.logs import read_settings
from repair_horizon.reports.html import Chart
from repair_horizon.reports.sections import back, bids, prices


def all_charts(month):
    return [
        bids.waterfall_piece(month),
        bids.stop_piece(month),
        prices.price_piece(month),
        bids.scissors_piece(month),
        *bids.bid_pieces(month),
        bids.sensitivity_piece(month),
        *prices.part_pieces(month),
        prices.part_share_piece(month),
    ]


def all_tables(month):
    return [
        bids.opening(month),
        bids.verdicts(month),
        bids.bid_change(month),
        bids.stop_meanings(),
        *(bids.cautions(month, step) for step in ("buying", "repairing", "selling")),
        bids.stop_table(month),
        prices.models(month),
        prices.broken(month),
        prices.fault_tree(month),
        prices.yields(month),
        bids.next_months(month),
        prices.fit_health(month),
        back.data_quality(month),
        back.settings_used(month, read_settings(DEMO)),
        back.glossary(),
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
