"""Statistics of bench.compare against published values and scipy.

Mean, standard deviation, lag-1 autocorrelation: NIST StRD, univariate, certified values (facts STR-1..9),
and the mean and s of the NIST/SEMATECH e-Handbook's individuals chart, 6.3.2.2 (SPC-06; the other
handbook rows are charts, which compare does not draw). Ranks: scipy. Adjustment: the 15 p values of
Benjamini and Hochberg 1995, as scipy's documentation prints them.
"""

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from scipy import stats

from bench.compare import statistics as st

NIST = Path(__file__).parent / "nist"
# name, row, n, certified mean, sd, lag-1 autocorrelation, relative tolerance
CERTIFIED = [
    ("PiDigits", "STR-1", 5000, 4.53480000000000, 2.86733906028871, -0.00355099287237972, 1e-13),
    ("Lottery", "STR-2", 218, 518.958715596330, 291.699727470969, -0.120948622967393, 1e-13),
    ("Lew", "STR-3", 200, -177.435000000000, 277.332168044316, -0.307304800605679, 1e-13),
    ("Mavro", "STR-4", 50, 2.00185600000000, 0.000429123454003053, 0.937989183438248, 1e-12),
    ("Michelso", "STR-5", 100, 299.852400000000, 0.0790105478190518, 0.535199668621283, 1e-12),
    ("NumAcc1", "STR-6", 3, 10000002, 1, -0.5, 1e-15),
    ("NumAcc2", "STR-7", 1001, 1.2, 0.1, -0.999, 1e-13),
    ("NumAcc3", "STR-8", 1001, 1000000.2, 0.1, -0.999, 1e-8),  # 0.1 beside 1e6: float64 holds no more
    ("NumAcc4", "STR-9", 1001, 10000000.2, 0.1, -0.999, 1e-7),
]
HANDBOOK = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
BH_1995 = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
    0.7590, 1.0,
]  # fmt: skip

numbers = some.lists(some.integers(0, 1_000_000), min_size=1, max_size=6, unique=True)
tied = some.lists(some.integers(0, 3), min_size=1, max_size=5)


def values(name):
    return [float(line) for line in (NIST / f"{name}.csv").read_text().split()]


@pytest.mark.parametrize(("name", "row", "n", "mean", "sd", "r1", "tolerance"), CERTIFIED)
def test_moments_and_autocorrelation_are_nists(name, row, n, mean, sd, r1, tolerance):
    x = values(name)
    assert len(x) == n, row
    assert st.mean(x) == pytest.approx(mean, rel=1e-14)
    assert st.deviation(x) == pytest.approx(sd, rel=tolerance)
    assert st.autocorrelation(x) == pytest.approx(r1, rel=max(tolerance, 1e-12))


def test_mean_and_deviation_are_the_handbooks():
    assert st.mean(HANDBOOK) == pytest.approx(50.81, abs=5e-5)
    assert st.deviation(HANDBOOK) == pytest.approx(2.0339, abs=5e-5)


def test_benjamini_and_hochbergs_own_example_rejects_four():
    adjusted = st.adjusted(BH_1995)
    assert sum(p <= 0.05 for p in adjusted) == 4
    assert adjusted[:4] == pytest.approx([0.0015, 0.003, 0.0095, 0.035625])


@settings(max_examples=60, deadline=None, derandomize=True)
@given(numbers, numbers, some.sampled_from([("both", "two-sided"), ("below", "less"), ("above", "greater")]))
def test_the_rank_sum_test_is_scipys_exact_one_where_nothing_ties(a, b, side):
    b = [v + 0.5 for v in b]
    right = stats.mannwhitneyu(a, b, alternative=side[1], method="exact").pvalue
    assert st.rank_sum_p(a, b, side=side[0]) == pytest.approx(right, abs=1e-12)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(tied, tied)
def test_with_ties_it_counts_every_way_to_deal_the_ranks(a, b):
    ranks = stats.rankdata([*a, *b])
    sums = np.array([sum(c) for c in combinations(ranks, len(a))])
    middle = len(a) * ranks.mean()
    seen = abs(ranks[: len(a)].sum() - middle)
    right = np.mean(np.abs(sums - middle) >= seen - 1e-9)
    assert st.rank_sum_p(a, b) == pytest.approx(right, abs=1e-12)


def test_many_numbers_take_scipys_normal_approximation():
    rng = np.random.default_rng(3)
    a, b = rng.normal(0, 1, 300).tolist(), rng.normal(0.2, 1, 300).tolist()
    right = stats.mannwhitneyu(a, b, method="asymptotic").pvalue
    assert st.rank_sum_p(a, b) == pytest.approx(right, rel=1e-12)
    assert st.rank_sum_p(a, b, side="below") == pytest.approx(right / 2, rel=1e-6)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(numbers, numbers)
def test_cliffs_delta_follows_from_scipys_u(a, b):
    u = stats.mannwhitneyu(b, a).statistic
    assert st.cliffs_delta(a, b) == pytest.approx(2 * u / (len(a) * len(b)) - 1)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(numbers, numbers, some.integers(-50, 50))
def test_hodges_and_lehmanns_shift_moves_with_the_numbers(a, b, by):
    assert st.shift(a, [v + by for v in b]) == pytest.approx(st.shift(a, b) + by)
    assert st.shift(a, b) == pytest.approx(-st.shift(b, a))
    assert st.walsh_median([v + by for v in a]) == pytest.approx(st.walsh_median(a) + by)


def test_the_least_p_is_what_a_perfect_split_gives():
    assert st.least_p(3, 5) == pytest.approx(st.rank_sum_p([1, 2, 3], [4, 5, 6, 7, 8]))
    assert st.least_signed_p(6) == pytest.approx(st.signed_rank_p([1, 2, 3, 4, 5, 6]))


@pytest.mark.slow
def test_a_test_of_nothing_finds_something_as_seldom_as_it_says():
    rng = np.random.default_rng(7)
    found = sum(
        st.rank_sum_p(rng.normal(size=4).tolist(), rng.normal(size=30).tolist()) <= 0.05 for _ in range(400)
    )
    assert 4 <= found <= 36  # binomial(400, 0.05) beyond this once in ten thousand


def test_equivalence_is_shown_within_the_margin_and_not_at_it():
    a = [5.0, 5.1, 4.9, 5.0, 5.05]
    assert st.within_p(a, [v + 0.1 for v in a], 1.0) < 0.01
    assert st.within_p(a, [v + 1.0 for v in a], 1.0) > 0.3
    assert st.within_p([5.0], [5.0], 1.0) == 0.5  # one number shows nothing


def test_dependent_numbers_are_thinned_and_independent_ones_are_not():
    rng = np.random.default_rng(0)
    white = rng.normal(size=4000)
    red = np.zeros(4000)
    for k in range(1, 4000):
        red[k] = 0.8 * red[k - 1] + white[k]
    assert st.thinning([white.tolist()]) == 1
    assert 8 <= st.thinning([red.tolist()]) <= 10  # (1 + 0.8) / (1 - 0.8) = 9
    alike = [red.tolist()], [(red + 0.1 * rng.normal(size=4000)).tolist()]
    assert len(st.independent(*alike)[0]) == 4000  # what moves both alike is no noise
    assert len(st.independent([red.tolist()], [white.tolist()])[0]) < 4000
