"""How wide a forecast is, why, and what more sales would do to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo_copies import demo_logs
from repair_horizon.estimation.curve.checks import (
    FAMILY,
    MARKET,
    OWN,
    SALE,
    SOURCES,
    level_after,
    width_shares,
)
from repair_horizon.estimation.curve.fit import NU, fit_joint
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.estimation.curve.predict import predict
from repair_horizon.estimation.device_prices import PRICE_PRIORS, PriceCurves, fit_prices
from repair_horizon.logs import Logs
from repair_horizon.reports.sections.prices import widths

from tests.family_by_hand import family_by_hand

NOW, LATER = pd.Timestamp("2026-11-15"), pd.Timestamp("2027-11-15")


@pytest.fixture(scope="module")
def logs() -> Logs:
    return demo_logs()


@pytest.fixture(scope="module")
def curves(logs: Logs) -> PriceCurves:
    found = fit_prices(logs, "sproltane_tablet")
    assert isinstance(found, PriceCurves)
    return found


def at(curves: PriceCurves, *where: tuple[int, pd.Timestamp]):  # type: ignore[no-untyped-def]
    return curves.points(np.array([m for m, _ in where]), pd.DatetimeIndex([d for _, d in where]))


def test_sources_add_up_to_the_interval_shown(curves: PriceCurves) -> None:
    """The half width is that of the band, and the shares of its square sum to one."""
    points = at(curves, (0, NOW), (0, LATER), (1, NOW), (3, LATER))
    half, share = width_shares(curves.fit, points, 0.8)
    band = predict(curves.fit, points)
    assert half == pytest.approx(band.sale_quantile(0.9) - band.median)
    assert share.shape == (4, len(SOURCES))
    assert share.sum(axis=1) == pytest.approx(np.ones(4))
    assert (share >= -1e-12).all()


def test_each_source_is_where_it_belongs(curves: PriceCurves) -> None:
    """No market is to come in the newest month; a model never sold owes most to what is unknown."""
    newest = pd.Timestamp(curves.fit.panel.now)
    sold, unsold = int(np.argmax(curves.fit.panel.sales_by_model)), 3
    assert curves.fit.panel.sales_by_model[unsold] == 0
    points = at(curves, (sold, newest), (sold, LATER), (unsold, newest))
    share = dict(zip(SOURCES, width_shares(curves.fit, points)[1].T, strict=True))
    assert share[MARKET][0] == 0
    assert share[MARKET][1] > 0.03
    assert share[SALE][0] > 0.7
    assert share[OWN][2] > 5 * share[OWN][0]
    assert share[FAMILY][2] > 2 * share[FAMILY][0]


@pytest.mark.parametrize(("model", "day"), [(1, LATER), (3, LATER), (1, NOW), (0, NOW)])
def test_what_more_sales_would_teach_is_what_they_teach(
    curves: PriceCurves, model: int, day: pd.Timestamp
) -> None:
    """Five more sales narrow the level about as much as was foretold, now and in a year.

    The whole fit is done again with them, weights and scales included, for a dozen draws of their
    noise; the mean width then lies within a fifteenth of what was foretold.
    """
    fit, rng = curves.fit, np.random.default_rng(1)
    target, where = at(curves, (model, day)), at(curves, (model, fit.panel.now))
    now, then = level_after(fit, target, where, 5)
    price = predict(fit, at(curves, *[(model, fit.panel.now)] * 5)).median
    found = []
    for _ in range(12):
        sold = price + fit.scales.noise * rng.standard_t(NU, 5)
        again = fit_joint(with_sales(fit.panel, model, sold), PRICE_PRIORS)
        found.append(1.2815515655 * np.sqrt(predict(again, target).level_variance[0]))
    assert then[0] == pytest.approx(np.mean(found), rel=1 / 15)
    assert then[0] < now


def with_sales(panel: Panel, model: int, y: np.ndarray) -> Panel:
    """Return a panel with more sales of one model on its newest day, all at the base."""
    traits = panel.traits
    return replace(
        panel,
        y=np.append(panel.y, y),
        model=np.append(panel.model, np.full(len(y), model)),
        day=panel.day.append(pd.DatetimeIndex([panel.now] * len(y))),
        traits=replace(traits, values=np.vstack([traits.values, 0 * traits.values[: len(y)]])),
        key=np.append(panel.key, [f"more{i}" for i in range(len(y))]),
        amount=np.append(panel.amount, np.exp(y) * panel.models.launch_price[model]),
        averaged=np.append(panel.counts, np.ones(len(y))),
    )


def test_own_sales_teach_most_and_ever_less(curves: PriceCurves) -> None:
    """For a model never sold its own sales beat any other's; each adds less than the one before."""
    target = at(curves, (3, LATER))
    where = at(curves, *[(m, curves.fit.panel.now) for m in range(4)])
    now, then = level_after(curves.fit, target, where, 5)
    assert then.argmin() == 3
    assert then[3] < 0.85 * now
    steps = [level_after(curves.fit, target, where, k)[1][3] for k in (1, 2, 3)]
    assert now - steps[0] > steps[0] - steps[1] > steps[1] - steps[2] > 0


def test_the_page_says_how_wide_and_what_would_help() -> None:
    """Widths as per cent, the best of the further sales by name, and the shares behind a fold."""
    month = family_by_hand()
    html = widths(month).html
    assert "within 18\u00a0% of the forecast this month" in html
    assert "within 22\u00a0% in 12 months" in html
    assert "from 12.5 to 11.3 % either way" in html
    assert "75\u00a0%" in html
    assert "<script" not in html.lower()
    assert widths(month.with_tables(widths=month.widths.iloc[:0])).html == ""
