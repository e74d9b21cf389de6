"""Sites of a part: all, the worst, their mean, or a share of them."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from speclake.judging.rollup.together import mean_of
from speclake.specs import Outcome
from speclake.specs.requirements.over_sites import OverSites
from tests.judging.pieces import at, over, part, spec


def sites(*levels):
    return [(level, at(str(number))) for number, level in enumerate(levels, 1)]


def test_the_number_of_a_part_is_that_of_its_worst_site():
    found = part(spec(over("worst")), *sites(95.0, 92.5, 94.0))
    assert found.outcome is Outcome.PASS
    assert [(v.measurement_id, v.value) for v in found.numbers] == [("m1", 92.5)]
    assert part(spec(over("worst")), *sites(95.0, None)).outcome is Outcome.NOT_MEASURABLE
    assert part(spec(over("worst")), *sites(95.0, None, 91.0)).outcome is Outcome.FAIL


def test_the_mean_over_the_sites_decides_and_not_the_sites():
    found = part(spec(over("mean")), *sites(91.0, 93.0, 92.0))
    assert found.outcome is Outcome.PASS
    (number,) = found.numbers
    assert (number.value, number.margin, number.drawn_from) == (92.0, 0.0, ("m1", "m2"))
    failed = part(spec(over("mean")), *sites(91.0, 92.9))
    assert failed.reasons == (
        "T mean: fail, mean of 2 sites 91.95 %T, because it lies below the lower limit",
    )


def test_a_mean_does_not_mix_sides():
    scans = [(level, at("1", side=side)) for level, side in ((90.0, "front"), (96.0, "back"))]
    found = part(spec(over("mean")), *scans)
    assert found.outcome is Outcome.FAIL
    assert found.reasons == (
        "T mean: fail at side front, mean of 1 site 90.00 %T, because it lies below the lower "
        "limit",
    )


def test_the_uncertainty_of_a_mean_is_at_most_the_mean_of_the_standard_uncertainties():
    # each site has U = 0.30 with k = 2; fully correlated they have u = 0.15 together (GUM 5.2.2)
    found = part(spec(over("mean", uncertainty=0.30)), *sites(92.1, 92.3))
    (number,) = found.numbers
    assert (number.uncertainty, number.coverage_factor) == (pytest.approx(0.30, rel=1e-12), 2.0)
    assert found.outcome is Outcome.UNDECIDED
    assert number.side == "inside"


def test_the_bias_of_noise_does_not_average_down():
    biased = [replace(each, noise_bias=-0.2) for each in part(spec(), *sites(92.1, 92.3)).numbers]
    assert mean_of(over("mean"), biased, "mean of 2 sites").noise_bias == -0.2
    assert mean_of(over("mean"), part(spec(), *sites(95.0)).numbers, "").noise_bias is None


def test_a_stated_uncertainty_of_the_mean_decides():
    stated = {"how": "mean", "uncertainty": 0.06, "k": 2, "source": "49 sites, invented"}
    found = part(spec(over(stated, uncertainty=0.30)), *sites(92.1, 92.3))
    assert found.outcome is Outcome.PASS
    assert found.numbers[0].uncertainty == 0.06


@pytest.mark.parametrize(
    ("levels", "outcome"),
    [
        ([95.0] * 19 + [90.0], Outcome.PASS),
        ([95.0] * 18 + [90.0] * 2, Outcome.FAIL),
        ([95.0] * 18 + [90.0, None], Outcome.NOT_MEASURABLE),
        ([95.0] * 19 + [None], Outcome.PASS),
        ([95.0] * 17 + [90.0, 90.0, None], Outcome.FAIL),
    ],
)
def test_a_share_of_the_sites_must_pass(levels, outcome):
    found = part(spec(over({"fraction": "0.95"}), sites=20), *sites(*levels))
    assert found.outcome is outcome


def test_what_a_share_tolerates_is_told():
    found = part(spec(over({"fraction": "0.5"})), *sites(95.0, 90.0))
    assert found.remarks == (
        "T mean: fail at site 2, found 90.00 %T, because it lies below the lower limit; tolerated, "
        "since 1 of 2 sites pass, and 50 % of them must",
    )


def test_sites_that_are_missing_count_against_the_share():
    rule = spec(over({"fraction": "0.95"}), sites=20)
    found = part(rule, *sites(*[95.0] * 19))
    assert found.outcome is Outcome.INCOMPLETE
    assert part(rule, *sites(95.0, 90.0, 90.0)).outcome is Outcome.FAIL


def test_two_repeats_of_a_site_are_one_site_whose_worst_counts():
    rule = spec(over({"fraction": "0.5"}))
    scans = [*sites(95.0, 90.0), (95.0, at("2")), (95.0, at("3"))]
    (number,) = part(rule, *scans).numbers
    assert number.reason.startswith("2 of 3 sites pass")


@given(st.lists(st.integers(900, 950), min_size=1, max_size=12), st.randoms())
def test_the_order_of_the_sites_is_of_no_matter(tenths, random):
    levels = [each / 10 for each in tenths]
    scans = sites(*levels)
    mixed = list(scans)
    random.shuffle(mixed)
    for rule in ("all", "worst", "mean", {"fraction": "0.6"}):
        one, other = part(spec(over(rule)), *scans), part(spec(over(rule)), *mixed)
        assert one.outcome is other.outcome
        assert sorted(v.value or 0 for v in one.numbers) == sorted(
            v.value or 0 for v in other.numbers
        )


@given(st.integers(9000, 9500), st.integers(1, 9))
def test_the_mean_of_equal_sites_is_their_number(hundredths, n):
    found = part(spec(over("mean")), *sites(*[hundredths / 100] * n))
    assert found.numbers[0].value == hundredths / 100


@pytest.mark.parametrize(
    "written",
    [
        {"how": "fraction"}, {"fraction": 0}, {"fraction": 1.5}, {"how": "mean", "fraction": 0.9},
        {"how": "mean", "uncertainty": 0.1}, {"how": "all", "uncertainty": 0.1, "k": 2,
                                              "source": "x"}, {"how": "best"},
    ],
)  # fmt: skip
def test_rules_that_contradict_themselves_are_refused(written):
    with pytest.raises(ValidationError):
        over(written)


def test_an_uncertainty_of_the_mean_belongs_to_a_requirement_that_has_one():
    stated = {"how": "mean", "uncertainty": 0.06, "k": 2, "source": "49 sites, invented"}
    with pytest.raises(ValidationError, match="requirement 'T mean' itself"):
        spec(over(stated))


def test_the_description_names_the_rule():
    assert over("mean").description.endswith("mean over the sites")
    assert over({"fraction": "0.95"}).description.endswith("at 95 % of the sites or more")
    assert OverSites().in_words == ""
