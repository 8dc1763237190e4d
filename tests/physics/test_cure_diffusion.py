"""The solvent tail held against Crank's series, a finite-difference model, and what stacked coats must do."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.physics import film_diffusion
from collector.physics.film_diffusion import effective_film_um, fourier_at, retained_fraction, stack_retained

unhurried = settings(deadline=None)


@pytest.mark.parametrize(
    ("fourier", "expected"),
    # Crank's series for a plane sheet, summed to 400 terms by hand
    [(0.01, 0.88716), (0.1, 0.64318), (0.2, 0.49591), (0.5, 0.23605), (1.0, 0.06874), (2.0, 0.00583)],
)
def test_the_retained_fraction_is_that_of_cranks_series(fourier, expected):
    assert retained_fraction(fourier) == pytest.approx(expected, abs=5e-6)


@pytest.mark.parametrize(
    ("retained", "expected"),
    # The same series solved for the time
    [(0.5, 0.1967), (0.2, 0.5672), (0.1, 0.8481), (0.05, 1.129), (0.02, 1.500), (0.01, 1.781)],
)
def test_the_time_to_a_retained_fraction_is_that_of_cranks_series(retained, expected):
    assert fourier_at(retained) == pytest.approx(expected, rel=5e-4)


@pytest.mark.parametrize("fourier", [1e-6, 1e-4, 0.01, 0.0199999, 0.02, 0.0200001, 0.05, 0.3, 3.0])
def test_both_forms_are_exact_on_either_side_of_where_they_join(fourier):
    n = np.arange(200_000)
    roots = np.pi * (n + 0.5)
    # The series itself with far more terms than are kept; at 1e-6 the first left out is exp(-400,000)
    summed = (2 / roots**2 * np.exp(-(roots**2) * fourier)).sum()
    assert retained_fraction(fourier) == pytest.approx(summed, abs=1e-10)


def test_the_two_forms_meet_without_a_step():
    join = film_diffusion.JOIN
    before, after = retained_fraction(np.array([np.nextafter(join, 0), join]))
    assert before == pytest.approx(after, abs=1e-14)


@given(retained=st.floats(1e-6, 1.0))
@unhurried
def test_time_and_retained_fraction_are_each_others_inverse(retained):
    assert retained_fraction(fourier_at(retained)) == pytest.approx(retained, rel=1e-9, abs=1e-12)


def layered(films_um, gaps_h, diffusivity, cell_um=0.25, step_h=0.002):
    """Implicit finite differences: a coat laid on top after each gap; cells sealed below, no solvent at the surface."""
    cells = np.zeros(0)
    for film, gap in zip(films_um, gaps_h, strict=True):
        cells = np.concatenate([cells, np.ones(round(film / cell_um))])
        size = cells.size
        pull = diffusivity * step_h / cell_um**2
        matrix = np.eye(size) * (1 + 2 * pull) - pull * (np.eye(size, k=1) + np.eye(size, k=-1))
        matrix[0, 0] = 1 + pull
        matrix[-1, -1] = 1 + 3 * pull  # half a cell to the surface
        inverse = np.linalg.inv(matrix)
        for _ in range(round(gap / step_h)):
            cells = inverse @ cells
    return cells.mean()


def test_a_stack_of_coats_of_different_ages_agrees_with_finite_differences():
    # Three coats of 20, 30 and 25 µm, 2 h and 1 h apart, 3 h after the last; D = 60 µm²/h
    expected = layered([20, 30, 25], [2.0, 1.0, 3.0], 60.0)
    assert stack_retained([20, 30, 25], [6.0, 4.0, 3.0], 60.0) == pytest.approx(expected, abs=1e-3)


def test_coats_laid_at_once_are_one_film():
    assert stack_retained([25, 25, 25], [5.0, 5.0, 5.0], 30.0) == retained_fraction(30 * 5 / 75**2)
    assert effective_film_um([25, 25, 25], [0.0, 0.0, 0.0], 30.0, retained=0.1) == 75.0


def test_three_coats_on_each_other_wait_nine_times_as_long_and_not_three():
    one = fourier_at(0.1) * 25**2
    three = fourier_at(0.1) * effective_film_um([25, 25, 25], [0.0, 0.0, 0.0], 30.0, retained=0.1) ** 2
    assert three / one == pytest.approx(9.0)


def test_a_coat_minutes_later_is_nearly_one_film_with_the_last():
    found = effective_film_um([25, 25], [1 / 60, 0.0], 30.0, retained=0.1)
    assert 49.5 < found < 50.0


def test_the_effective_film_waits_as_long_as_the_stack():
    diffusivity, retained = 30.0, 0.1
    film = effective_film_um([25, 30], [12.0, 0.0], diffusivity, retained=retained)
    wait_h = fourier_at(retained) * film**2 / diffusivity
    assert stack_retained([25, 30], [12.0 + wait_h, wait_h], diffusivity) == pytest.approx(retained, rel=1e-9)


@given(
    films=st.tuples(st.floats(5, 80), st.floats(5, 80)),
    early=st.floats(0, 100),
    later=st.floats(0.01, 100),
    retained=st.floats(0.01, 0.6),
)
@unhurried
def test_the_longer_a_coat_has_waited_the_less_it_adds(films, early, later, retained):
    young = effective_film_um(films, [early, 0.0], 30.0, retained=retained)
    old = effective_film_um(films, [early + later, 0.0], 30.0, retained=retained)
    assert films[1] <= old <= young + 0.01 * sum(films)
    assert young <= sum(films)


def test_draws_of_the_diffusivity_come_back_one_each():
    diffusivity = np.array([10.0, 30.0, 90.0])
    found = effective_film_um([25, 25], [10.0, 0.0], diffusivity, retained=0.1)
    assert found.shape == (3,)
    assert found[1] == pytest.approx(effective_film_um([25, 25], [10.0, 0.0], 30.0, retained=0.1), rel=1e-9)
    assert np.all(np.diff(found) < 0)  # what diffuses fast has left the lower coat


def test_a_data_sheets_time_gives_the_diffusivity_that_keeps_it():
    found = film_diffusion.diffusivity_um2_h(48.0, 25.0, 0.1)
    assert stack_retained([25.0], [48.0], found) == pytest.approx(0.1, rel=1e-9)


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: retained_fraction(-0.1), "fourier -0.1; expected 0 or more"),
        (lambda: fourier_at(0.0), "retained 0 to 0; expected above 0 to 1"),
        (lambda: stack_retained([25, 25], [1.0], 30.0), "2 films and 1 ages"),
        (lambda: stack_retained([25, 0], [1.0, 0.0], 30.0), "dry_film_um 0 µm; expected above 0 µm"),
        (lambda: stack_retained([25, 25], [1.0, 2.0], 30.0), "expected the oldest first"),
        (lambda: stack_retained([25], [-1.0], 30.0), "below 0"),
        (lambda: stack_retained([25], [1.0], 0.0), "diffusivity_um2_h 0 µm²/h; expected above 0"),
        (lambda: effective_film_um([25], [1.0], 30.0, retained=1.0), "retained 1; expected above 0, below 1"),
        (lambda: film_diffusion.diffusivity_um2_h(0.0, 25.0, 0.1), "stage_h 0 h; expected above 0 h"),
    ],
)
def test_a_mistake_is_named_with_what_would_be_right(call, told):
    with pytest.raises(ValueError, match=told):
        call()
