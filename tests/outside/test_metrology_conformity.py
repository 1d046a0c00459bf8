"""Guard bands and risks against ISO 14253-1's figures and the worked examples of JCGM 106:2012."""

from math import exp, inf

import pytest

from feedback.metrology.conformity import (
    Tolerance,
    acceptance_zone,
    global_risks,
    guard_factor,
    normal_density,
    probability_inside,
)


@pytest.mark.parametrize(
    ("probability", "factor"),
    [(0.80, 0.841621), (0.90, 1.281552), (0.95, 1.644854), (0.99, 2.326348), (0.999, 3.090232)],
)
def test_guard_factors_at_a_single_limit(probability: float, factor: float) -> None:
    """JCGM 106 table 1 (0.84, 1.28, 1.64, 2.33, 3.09); ISO 14253-1 prints 1.65 for 95 %."""
    assert guard_factor(inf, probability) == pytest.approx(factor, abs=1e-6)


@pytest.mark.parametrize(
    ("width", "factor", "best"),
    [
        (20, 1.644853627, 1.0),
        (10, 1.644853627, 0.9999994267),
        (8, 1.644853628, 0.9999366575),
        (6, 1.644918117, 0.9973002039),
        (5, 1.648766524, 0.9875806693),
        (4.5, 1.66768231, 0.9755510547),
        (4, 1.796212721, 0.9544997361),
        (3.9, None, 0.948823881),
    ],
)
def test_guard_factors_between_two_limits(width: float, factor: float | None, best: float) -> None:
    """Recomputed table: 1.645 serves from T/u = 6; below 3.92 not even a reading in the middle proves 95 %."""
    found = guard_factor(width)

    assert found == (None if factor is None else pytest.approx(factor, abs=1e-8))
    assert probability_inside(0.0, 1.0, Tolerance(lower=-width / 2, upper=width / 2)) == pytest.approx(best, abs=1e-9)


@pytest.mark.parametrize(
    ("value", "u", "tolerance", "published", "exact"),
    [
        (-5.47, 0.05, Tolerance(upper=-5.40), 0.92, 0.919243341),
        (509.7, 8.6, Tolerance(lower=490.0), 0.99, 0.989009547),
        (13.6, 1.8, Tolerance(lower=12.5, upper=16.3), 0.66, 0.662629786),
    ],
)
def test_probabilities_of_single_items(
    value: float, u: float, tolerance: Tolerance, published: float, exact: float
) -> None:
    """JCGM 106, 7.3 and 7.4 (inputs from memory, recomputed)."""
    found = probability_inside(value, u, tolerance)

    assert found == pytest.approx(exact, abs=1e-8)
    assert round(found, 2) == published


def _ball_bearing(error: float) -> float:
    """Gamma prior of shape 4, scale 0.25 um: y^3 exp(-y / 0.25) / (6 x 0.25^4)."""
    return error**3 * exp(-error / 0.25) / (6 * 0.25**4)


@pytest.mark.parametrize(
    ("accepted", "consumer", "producer"),
    [
        (Tolerance(lower=0.0, upper=2.0), 0.0080191119, None),
        (Tolerance(upper=2.0), 0.0080191119, 0.0174445692),
        (Tolerance(upper=1.8), 0.0026118857, 0.0460772111),
        (Tolerance(upper=1.6718287716), 0.001, None),
    ],
)
def test_the_ball_bearing_example(accepted: Tolerance, consumer: float, producer: float | None) -> None:
    """JCGM 106, 9.5.4: radial error motion, T_U 2 um, u_m 0.25 um. Published .042, .008, limit 1.67 um for .001."""
    found = global_risks(_ball_bearing, (0.0, 15.0), 0.25, Tolerance(upper=2.0), accepted)

    assert found.nonconforming == pytest.approx(0.0423801120, abs=1e-9)
    assert found.consumer == pytest.approx(consumer, abs=1e-8)
    if producer is not None:
        assert found.producer == pytest.approx(producer, abs=1e-8)


@pytest.mark.parametrize(
    ("sd", "u", "guard", "consumer", "producer"),
    [
        (0.49751244, 0.125, 0.0, 7.8656e-03, 0.014681),
        (0.33333333, 0.125, 0.0, 7.3718e-04, 0.003007),
        (0.33333333, 0.125, 1.65, 4.7434e-05, 0.023119),
        (0.33333333, 0.125, 2.0, 2.0121e-05, 0.032460),
        (0.33333333, 0.05, 1.65, 2.3394e-05, 0.003811),
        (0.25062657, 0.05, 2.0, 3.6905e-07, 0.000363),
    ],
)
def test_global_risks_of_a_normal_process(sd: float, u: float, guard: float, consumer: float, producer: float) -> None:
    """JCGM 106, clause 9, centred normal process and normal measurement, tolerance +-1 (recomputed table)."""
    accepted = Tolerance(lower=-1 + guard * u, upper=1 - guard * u)

    found = global_risks(normal_density(sd), (-10 * sd, 10 * sd), u, Tolerance(lower=-1.0, upper=1.0), accepted)

    assert found.consumer == pytest.approx(consumer, rel=6e-4)
    assert found.producer == pytest.approx(producer, rel=2e-3, abs=1e-6)


def test_a_reading_on_the_acceptance_limit_proves_just_what_was_asked() -> None:
    """The guard band is neither wider nor narrower than 95 % needs, for a bore of 21 um judged with u = 4.8 um."""
    bore = Tolerance(lower=0.0, upper=21.0)
    zone = acceptance_zone(bore, 4.8)

    assert zone is not None
    assert probability_inside(zone.lower, 4.8, bore) == pytest.approx(0.95, abs=1e-12)
    assert probability_inside(zone.upper, 4.8, bore) == pytest.approx(0.95, abs=1e-12)
