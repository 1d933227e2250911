"""Plain curves against R's printed reference output for its self-starting models.

Sources (seen): R reference output stats-Ex.Rout.save, examples SSasymp (Loblolly, seed 329) and
SSbiexp (Indometh, subject 1), and datasets-Ex.Rout.save, example BOD. R prints the logarithm of a
rate; its standard error is the rate's divided by the rate.
"""

import numpy as np
import pytest
from repair_horizon.estimation.simple_curves import (
    FALLING,
    cross_check,
    fit_shape,
    log_grid,
)
from repair_horizon.logs import CannotSay

from .shapes import SATURATING, TWO_SPEED

AGE = [3, 5, 10, 15, 20, 25]
HEIGHT = np.array([3.93, 9.34, 26.08, 37.79, 48.31, 56.43])


def test_falling_exponential_with_a_floor_equals_the_published_fit() -> None:
    """Heights turned into a price, p = 100 - y, must give R's parameters."""
    curve = fit_shape(FALLING, AGE, 100 - HEIGHT)
    assert curve["floor"] == pytest.approx(100 - 94.1282, abs=5e-5)
    assert curve["start"] == pytest.approx(100 + 8.2508, abs=5e-5)
    assert np.log(curve["rate"]) == pytest.approx(-3.2176, abs=5e-5)
    errors = (8.4030, 1.2261, 0.1386 * curve["rate"])
    assert curve.std_error == pytest.approx(errors, rel=5e-4)
    assert curve.s == pytest.approx(0.7493, abs=5e-5)


def test_derived_figures_of_the_falling_curve() -> None:
    """RSS and the rate's error follow from the same fit."""
    curve = fit_shape(FALLING, AGE, 100 - HEIGHT)
    assert curve.rss == pytest.approx(1.684401, abs=5e-7)
    assert curve.error("rate") == pytest.approx(0.0055505, abs=5e-7)


def test_a_floor_known_worse_than_itself_is_called_ill_determined() -> None:
    """The published floor is 5.87 with standard error 8.40, so the reader must be told."""
    assert "ill-determined" in fit_shape(FALLING, AGE, 100 - HEIGHT).caution
    age = np.arange(0.0, 60.0, 3.0)
    known = fit_shape(FALLING, age, 50 + 100 * np.exp(-0.1 * age) + 0.1 * np.cos(age))
    assert known.caution == ""


def test_two_speed_decline_equals_the_published_fit() -> None:
    """Indometh subject 1: two rates."""
    t = [0.25, 0.5, 0.75, 1, 1.25, 2, 3, 4, 5, 6, 8]
    y = [1.5, 0.94, 0.78, 0.48, 0.37, 0.19, 0.12, 0.11, 0.08, 0.07, 0.05]
    curve = fit_shape(TWO_SPEED, t, y)
    first = np.argsort(-curve.estimate[2:])  # the faster first
    rates, error = curve.estimate[2:][first], curve.std_error
    assert curve.estimate[:2][first] == pytest.approx((2.0293, 0.1915), abs=6e-5)
    assert np.log(rates) == pytest.approx((0.5794, -1.7878), abs=5e-5)
    assert error[:2][first] == pytest.approx((0.1099, 0.1106), abs=6e-5)
    assert error[2:][first] / rates == pytest.approx((0.1247, 0.7871), abs=6e-5)
    assert curve.s == pytest.approx(0.04103, abs=5e-6)


def test_saturating_curve_equals_the_published_fit() -> None:
    """BOD: oxygen demand over time."""
    curve = fit_shape(SATURATING, [1, 2, 3, 4, 5, 7], [8.3, 10.3, 19, 16, 15.6, 19.8])
    assert curve["ceiling"] == pytest.approx(19.14258, abs=6e-6)
    assert np.log(curve["rate"]) == pytest.approx(-0.63282, abs=5e-6)
    assert curve.error("ceiling") == pytest.approx(2.496, abs=5e-4)
    assert curve.error("rate") / curve["rate"] == pytest.approx(0.382, abs=5e-4)
    assert (curve.rss, curve.s) == pytest.approx((25.990, 2.55), abs=1e-3)


def test_rates_are_looked_for_from_the_span_to_the_finest_gap() -> None:
    """A thousandth of one over ten months to thirty over half a month, twelve a decade."""
    grid = log_grid(np.array([10.0, 0.0, 1.0, 1.5]))
    np.testing.assert_allclose(grid[[0, -1]], [1e-4, 60.0])
    np.testing.assert_allclose(np.diff(np.log10(grid)), np.log10(6e5) / (len(grid) - 1))
    assert len(grid) == np.floor(12 * np.log10(6e5)) + 2
    np.testing.assert_allclose(log_grid(np.array([5.0, 6.0]))[[0, -1]], [1e-3 / 6, 30.0])
    np.testing.assert_allclose(log_grid(np.array([5.0, 5.0]))[[0, -1]], [1e-3 / 5, 30.0])


def test_cross_check_recovers_a_known_curve_and_refuses_what_traces_none() -> None:
    """Twelve exact prices give back their curve; few, level, straight or rising ones a reason."""
    age = np.arange(1.0, 13.0)
    curve = cross_check(age, 60 + 240 * np.exp(-0.15 * age))
    assert not isinstance(curve, CannotSay)
    assert curve.estimate == pytest.approx((60, 300, 0.15), rel=1e-8)
    assert curve.predict([24.0]) == pytest.approx(60 + 240 * np.exp(-3.6))
    for price in (np.full(12, 100.0), 100 + age, 100 - 3 * age):
        assert isinstance(cross_check(age, price), CannotSay)
    few = cross_check(age[:7], 60 + 240 * np.exp(-0.15 * age[:7]))
    assert isinstance(few, CannotSay)
    assert "7 sales" in few.reason


@pytest.mark.parametrize(("fall", "told"), [(9.2, True), (8.9, False)])
def test_a_fall_lost_in_the_scatter_is_none(fall: float, told: bool) -> None:
    """Two prices a month, 18 above a curve and 18 below: three errors of a mean are 54 / sqrt(37).

    The curve is the mean at every age, so it is the fit; 0.978 of its fall is seen in 20 months.
    """
    age = np.repeat(np.arange(20.0), 2)
    price = 200 + fall * np.exp(-0.2 * age) + 18.0 * np.tile([1.0, -1.0], 20)
    curve = fit_shape(FALLING, age, price)
    assert curve.estimate == pytest.approx((200, 200 + fall, 0.2), rel=1e-5)
    assert (0.9776 * fall > 54 / np.sqrt(37)) == told
    assert isinstance(cross_check(age, price), CannotSay) != told


def test_as_many_points_as_parameters_leave_nothing_to_tell_an_error_by() -> None:
    with pytest.raises(ValueError, match="2 points cannot determine 2 parameters"):
        fit_shape(SATURATING, AGE[:2], HEIGHT[:2])
    assert fit_shape(SATURATING, AGE[:3], HEIGHT[:3]).n == 3
