"""Requirements against spectra."""

from datetime import UTC, datetime
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.judging import (
    ENGINE_VERSION,
    OUTCOMES,
    Conditions,
    explain,
    judge,
    judge_columns,
    verdicts,
)
from speclake.judging.conditions import Bandwidth
from speclake.judging.deciding import decide
from speclake.judging.uncertainty import Uncertainty
from speclake.measurement import Correction, Kind, Measurement
from speclake.quantities import mean
from speclake.quantities.exact import exact
from speclake.quantities.values import AT_LEAST, AT_MOST, EXACT
from speclake.quantities.windows import locate
from speclake.specs import BandRequirement, Outcome, Specification, ValueRequirement
from speclake.specs.requirements import LeakageRequirement
from speclake.specs.rounding import decimal_of, last_place, rounded
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(400.0, 701.0)
PART = Conditions()


def make_set(rows, unit="%T", grid=GRID, medium="air", axis_unit="nm"):
    values = np.atleast_2d(np.asarray(rows, dtype=float))
    keys = tuple(f"m{i}" for i in range(len(values)))
    return SpectrumSet(Axis(grid, axis_unit, medium), values, unit, keys)


def flat(*levels, **keys):
    return make_set([np.full(GRID.size, level) for level in levels], **keys)


def line(**keys):
    keys = {"id": "r", "what": "mean", "unit": "%T", "at_least": "92.0"} | keys
    if "at" in keys:
        return ValueRequirement(**keys)
    return BandRequirement(**{"band": (420, 680)} | keys)


def spec(*requirements, **keys):
    return Specification(name="s", requirement=requirements, **keys)


def one(spectra, conditions=PART, **keys):
    (verdict,) = judge(spectra, spec(line(**keys)), [conditions])
    return verdict


def outcomes(spectra, **keys):
    found = judge(spectra, spec(line(**keys)), [PART] * len(spectra))
    return [verdict.outcome for verdict in found]


def test_a_verdict_carries_all_that_it_takes_to_say_why():
    row = np.full(GRID.size, 95.0)
    row[50] = 91.5
    verdict = one(make_set(row), what="minimum")
    assert verdict.measurement_id == "m0"
    assert (verdict.value, verdict.low, verdict.high) == (91.5, 92.0, None)
    assert (verdict.margin, verdict.at, verdict.at_unit) == (-0.5, 450.0, "nm")
    assert verdict.outcome is Outcome.FAIL
    assert (verdict.shown, verdict.unit, verdict.quantity) == ("91.50", "%T", "transmittance")
    assert verdict.description == ("minimum transmittance from 420 nm to 680 nm, at least 92.0 %T")
    assert (verdict.spec, verdict.spec_version) == ("s", spec(line(what="minimum")).version)
    assert (verdict.engine_version, verdict.spectrum) == (ENGINE_VERSION, "as exported")


@pytest.mark.parametrize(
    ("limits", "expected"),
    [
        ({"at_least": "92.0"}, "fail pass pass pass"),
        ({"at_least": None, "at_most": "92.0"}, "pass pass fail fail"),
        ({"at_least": "92.0", "at_most": "93.0"}, "fail pass pass fail"),
    ],
)
def test_a_value_on_a_limit_is_inside(limits, expected):
    assert outcomes(flat(91.9, 92.0, 93.0, 93.1), **limits) == expected.split()


@pytest.mark.parametrize("decision", ["absolute", "rounded"])
@pytest.mark.parametrize("unit", ["%T", "T"])
@given(level=st.integers(1, 99_999))
@settings(deadline=None, max_examples=40)
def test_a_constant_on_its_limit_passes_in_any_unit(decision, unit, level):
    text = str(Decimal(level).scaleb(-3))
    spectra = flat(level / 1000 if unit == "%T" else level / 100_000, unit=unit)
    for limits in ({"at_least": text}, {"at_least": None, "at_most": text}):
        for what in ("mean", "minimum", "maximum"):
            verdict = one(spectra, decision=decision, what=what, **limits)
            assert verdict.outcome is Outcome.PASS
            assert (verdict.margin, verdict.value) == (0.0, float(text))


def test_a_mean_that_is_the_limit_in_decimals_passes():
    row = np.where(np.arange(GRID.size) % 2, 91.9, 92.1)
    verdict = one(make_set(row), band=(420.5, 680.5))
    assert verdict.value == 92.0
    assert verdict.outcome is Outcome.PASS
    row[100] -= 0.001
    assert one(make_set(row), band=(420.5, 680.5)).outcome is Outcome.FAIL


def test_a_mean_that_float64_puts_below_its_limit_and_decimals_do_not():
    grid = [400.0, 400.7, 401.4, 402.1, 402.8, 403.5, 404.2]
    row = [90.467, 94.481, 91.367, 91.457, 91.013, 93.185, 90.527]
    spectra = make_set(row, grid=np.array(grid))
    assert mean(spectra, 400.0, 404.2).value[0] < 92.0
    verdict = one(spectra, band=(400.0, 404.2))
    assert (verdict.outcome, verdict.value, verdict.margin) == (Outcome.PASS, 92.0, 0.0)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    what=st.sampled_from(["mean", "minimum", "maximum"]),
    decision=st.sampled_from(["absolute", "rounded"]),
    places=st.integers(0, 3),
    is_fraction=st.booleans(),
)
def test_verdicts_are_those_of_decimal_arithmetic(seed, what, decision, places, is_fraction):
    """A slow judge that knows decimals only, on values crowded around the limit."""
    rng = np.random.default_rng(seed)
    grid = np.round(np.arange(400, 404, 0.5), 1)
    rows = 50 + rng.integers(-3, 4, (12, grid.size)) / 10 ** (places + 1)
    values = np.round(rows / 100, 6) if is_fraction else np.round(rows, 4)
    limit = format(Decimal(50) + Decimal(int(rng.integers(-1, 2))).scaleb(-places), f".{places}f")
    requirement = line(what=what, band=(400.25, 403.25), at_least=limit, decision=decision)
    spectra = make_set(values, unit="T" if is_fraction else "%T", grid=grid)
    window = locate(spectra.axis, 400.25, 403.25)
    for row, verdict in zip(values, judge(spectra, spec(requirement), [PART] * 12), strict=True):
        number = exact(what, row, window) * (100 if is_fraction else 1)
        if decision == "rounded":
            number = rounded(float(number), last_place(limit))
        assert (verdict.outcome is Outcome.PASS) == (number >= Decimal(limit))
        assert (Decimal(verdict.shown) >= Decimal(limit)) == (verdict.outcome is Outcome.PASS)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(80, 100), min_size=1, max_size=12),
    st.integers(8500, 9500).map(lambda x: str(Decimal(x).scaleb(-2))),
    st.sampled_from(["absolute", "rounded"]),
    st.none() | st.floats(0.01, 3),
)
def test_the_printed_value_and_the_outcome_never_contradict(levels, limit, decision, uncertainty):
    requirement = line(at_least=limit, decision=decision, uncertainty=uncertainty)
    for verdict in judge(flat(*levels), spec(requirement), [PART] * len(levels)):
        printed, bound = Decimal(verdict.shown), Decimal(limit)
        is_near = uncertainty is not None and abs(printed - bound) <= decimal_of(uncertainty)
        if decision == "absolute":
            assert (verdict.outcome is Outcome.UNDECIDED) == is_near
        if verdict.outcome is Outcome.UNDECIDED:
            assert verdict.side == ("inside" if printed >= bound else "outside")
        else:
            assert (verdict.outcome is Outcome.PASS) == (printed >= bound)
        assert (verdict.margin >= 0) == (printed >= bound)
        assert str(verdict.outcome) in explain(verdict)


def test_a_rounded_margin_belongs_to_the_rounded_value():
    verdict = one(flat(91.96), decision="rounded")
    assert (verdict.value, verdict.shown, verdict.margin) == (91.96, "92.0", 0.0)
    assert "91.96 %T, which counts as 92.0 %T, exactly on the limit: pass" in explain(verdict)


def test_a_limit_in_percent_judges_a_fraction_and_an_absorbance():
    fraction, absorbance = flat(0.9, unit="T"), flat(-np.log10(0.9), unit="A")
    assert one(fraction, at_least="90.0").outcome is Outcome.PASS
    assert one(fraction, at_least="90.1").reason == "it lies below the lower limit"
    verdict = one(absorbance, at_least="89.9")
    assert verdict.outcome is Outcome.PASS
    assert verdict.value == pytest.approx(90.0)
    assert verdict.reason == "converted from A to %T"


def test_a_mean_is_taken_after_the_conversion():
    density = np.where(GRID < 550, 4.0, 6.0)
    as_transmittance = one(make_set(density, unit="A"), at_least="0")
    as_density = one(make_set(density, unit="A"), unit="A", at_least="0")
    assert as_density.value == pytest.approx(5.0, abs=0.01)
    assert -np.log10(as_transmittance.value / 100) == pytest.approx(4.297, abs=0.01)


def test_a_least_transmittance_comes_from_the_greatest_absorbance():
    density = np.linspace(0.1, 0.3, GRID.size)
    verdict = one(make_set(density, unit="A"), what="minimum", at_least="1")
    assert verdict.at == 680.0
    assert verdict.value == pytest.approx(100 * 10 ** -density[280])


def test_transmittance_without_a_logarithm_is_not_measurable_as_absorbance():
    row = np.full(GRID.size, 0.5)
    row[100] = -0.002
    verdict = one(make_set(row), unit="A", what="minimum", at_least="2.0")
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert verdict.reason == "the value of -0.002 %T at 500 nm has no absorbance"
    assert one(make_set(row), what="minimum", at_least="-1.0").outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("unit", "asked"), [("%R", "%T"), ("A", "%R"), ("log(1/R)", "A"), ("T", "log(1/R)")]
)
def test_another_quantity_gives_no_verdict(unit, asked):
    assert judge(flat(0.5, unit=unit), spec(line(unit=asked)), [PART]) == []


def test_a_spectrum_that_cannot_answer_is_not_measurable_and_says_why():
    beyond = one(flat(95.0), band=(650, 750))
    assert beyond.outcome is Outcome.NOT_MEASURABLE
    assert "does not cover 650 nm to 750 nm" in beyond.reason
    assert (beyond.value, beyond.margin, beyond.at, beyond.shown) == (None, None, None, "")
    hole = np.full(GRID.size, 95.0)
    hole[30] = np.nan
    assert one(make_set(hole)).reason == "the value at 430 nm is missing"
    assert one(make_set(hole), band=(431, 600)).outcome is Outcome.PASS
    gap = np.delete(GRID, slice(100, 110))
    verdict = one(make_set(np.full(gap.size, 95.0), grid=gap))
    assert "no point between 499 nm and 510 nm" in verdict.reason
    assert one(make_set(np.full(gap.size, 95.0), grid=gap), largest_interval=11).value == 95.0
    assert "nobody said" in one(flat(95.0, medium=None), medium="vacuum").reason
    assert "because the value at 430 nm is missing." in explain(one(make_set(hole)))


def test_one_bad_spectrum_does_not_touch_the_others():
    rows = np.full((3, GRID.size), 95.0)
    rows[1, 30] = np.nan
    assert outcomes(make_set(rows)) == ["pass", "not measurable", "pass"]


CONDITIONS = {
    "angle_deg": (8.0, 8.4, 0.0),
    "polarisation": ("p", "P", "s"),
    "side": ("front", " Front", "back"),
    "stage": ("annealed", "Annealed", "as coated"),
    "segment": ("visible", "VISIBLE", "uv"),
    "accessory": ("sphere", "Sphere ", "mirrors"),
    "geometry": ("total", "Total", "diffuse"),
}


@pytest.mark.parametrize("name", CONDITIONS)
def test_a_condition_applies_does_not_or_is_unknown(name):
    wanted, alike, other = CONDITIONS[name]
    asked = {name: wanted}
    for known in (wanted, alike):
        assert one(flat(95.0), Conditions(**{name: known}), **asked).outcome is Outcome.PASS
    assert judge(flat(95.0), spec(line(**asked)), [Conditions(**{name: other})]) == []
    verdict = one(flat(95.0), Conditions(), **asked)
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert "is unknown; the requirement holds" in verdict.reason


def test_a_requirement_for_some_sites_leaves_the_others_alone():
    places = [Conditions(site=site) for site in ("1", "2", "3", None)]
    found = judge(flat(95, 95, 95, 95), spec(line(sites=["1", "3"])), places)
    assert [(v.measurement_id, str(v.outcome)) for v in found] == [
        ("m0", "pass"), ("m2", "pass"), ("m3", "not measurable")
    ]  # fmt: skip


def test_another_side_rules_a_spectrum_out_even_if_its_angle_is_unknown():
    asked = line(side="front", angle_deg=45)
    assert judge(flat(95.0), spec(asked), [Conditions(side="back")]) == []


@pytest.mark.parametrize(
    ("known", "outcome", "said"),
    [
        (Correction.ABSOLUTE, "pass", ""),
        (Correction.RAW_RATIO, "not measurable", "the correction of the values is raw ratio"),
        (None, "not measurable", "nobody said what the values were multiplied with"),
    ],
)
def test_values_must_have_been_corrected_as_the_requirement_needs(known, outcome, said):
    verdict = one(flat(95.0), Conditions(correction=known), needs_correction="absolute")
    assert verdict.outcome == outcome
    assert verdict.reason.startswith(said)


@pytest.mark.parametrize(
    ("smoothing", "expected"),
    [
        ("refused", {True: "not measurable", False: "pass", None: "pass"}),
        ("must be known", {True: "not measurable", False: "pass", None: "not measurable"}),
        ("allowed", {True: "pass", False: "pass", None: "pass"}),
    ],
)
def test_a_smoothed_spectrum_counts_only_where_it_is_allowed(smoothing, expected):
    for known, outcome in expected.items():
        verdict = one(flat(95.0), Conditions(smoothed=known), smoothing=smoothing)
        assert verdict.outcome == outcome


@pytest.mark.parametrize("kind", list(Kind))
def test_only_parts_and_witness_pieces_are_judged(kind):
    found = judge(flat(95.0), spec(line()), [Conditions(kind=kind)])
    assert bool(found) == (kind in (Kind.PART, Kind.WITNESS))


def test_conditions_come_from_a_measurement_or_from_a_row():
    now = datetime(2026, 3, 1, tzinfo=UTC)
    measurement = Measurement(
        measurement_id="m", file_id="f", file="f.txt", place="", importer="i",
        importer_version="1", scan_sha256="s", values_sha256="v", quantity="transmittance",
        unit="%T", axis_id="a", axis_unit="nm", points=3, axis_first=1.0, axis_last=3.0,
        scan_direction="ascending", arrived_at=now, trusted_at=now, trusted_time="arrived",
        kind=Kind.WITNESS, angle_deg=8.0, site="3", correction=Correction.RAW_RATIO,
    )  # fmt: skip
    expected = Conditions(
        kind=Kind.WITNESS, angle_deg=8.0, site="3", correction=Correction.RAW_RATIO
    )
    assert Conditions.of(measurement) == expected
    row = {"kind": "witness piece", "angle_deg": 8.0, "site": "3", "correction": "raw ratio"}
    assert Conditions.of({**row, "sample": "x", "side": None}) == expected
    assert Conditions.of({}).kind is Kind.UNKNOWN


def test_conditions_that_do_not_match_the_set_are_a_mistake():
    with pytest.raises(ValueError, match="1 conditions for 2 spectra"):
        judge(flat(95, 96), spec(line()), [PART])


def random_case(seed, n=40):
    rng = np.random.default_rng(seed)
    rows = np.round(rng.uniform(91.5, 92.5, (n, GRID.size)), 3)
    rows[rng.integers(0, n), rng.integers(0, GRID.size)] = np.nan
    sides = [None, "front", "back"]
    conditions = [Conditions(side=sides[rng.integers(3)], site=str(i % 5)) for i in range(n)]
    requirements = (
        line(id="mean", decision="rounded"),
        line(id="min", what="minimum", at_least="91.51", uncertainty=0.005),
        line(id="max", what="maximum", band=(450.25, 600.5), at_least="92.4", side="front"),
        line(id="A", unit="A", at_least=None, at_most="0.0365"),
        line(id="at", what="value", band=None, at=555.5, at_least="92.00", sites=["1", "2"]),
    )
    return make_set(rows), spec(*requirements), conditions


def key(verdict):
    return verdict.measurement_id, verdict.requirement


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), size=st.integers(1, 39))
def test_verdicts_do_not_depend_on_order_company_or_chunks(seed, size):
    spectra, specification, conditions = random_case(seed)
    whole = {key(v): v for v in judge(spectra, specification, conditions)}
    order = np.random.default_rng(seed).permutation(len(spectra))
    shuffled, pieces = {}, {}
    for rows, into in ((order, shuffled), *((np.arange(len(spectra))[i : i + size], pieces)
                                            for i in range(0, len(spectra), size))):  # fmt: skip
        part = SpectrumSet(
            spectra.axis, spectra.values[rows], "%T", tuple(spectra.keys[i] for i in rows)
        )
        found = judge(part, specification, [conditions[i] for i in rows])
        into.update({key(v): v for v in found})
    assert shuffled == whole
    assert pieces == whole


def test_more_spectra_than_are_looked_at_at_once():
    rng = np.random.default_rng(1)
    grid = np.arange(400.0, 421.0)
    rows = np.round(rng.uniform(90, 94, (1500, grid.size)), 2)
    specification = spec(line(band=(401, 419)), line(id="m", what="minimum", band=(401, 419)))
    conditions = [Conditions(kind=Kind.PART if i % 3 else Kind.BLANK) for i in range(1500)]
    found = judge(make_set(rows, grid=grid), specification, conditions)
    assert len(found) == 2000
    for verdict in found[::77]:
        row = int(verdict.measurement_id[1:])
        (alone,) = [
            v
            for v in judge(make_set(rows[row], grid=grid), specification, [PART])
            if v.requirement == verdict.requirement
        ]
        assert (alone.value, alone.at, alone.outcome) == (
            verdict.value,
            verdict.at,
            verdict.outcome,
        )


def test_columns_and_rows_say_the_same():
    spectra, specification, conditions = random_case(5)
    judgement = judge_columns(spectra, specification, conditions)
    rows = {key(v): v for v in verdicts(judgement)}
    names = [each.id for each in specification.requirements]
    assert list(rows) == sorted(rows, key=lambda k: (int(k[0][1:]), names.index(k[1])))
    count = 0
    for column in judgement.columns:
        for number in np.flatnonzero(column.applies):
            verdict = rows[spectra.keys[number], column.requirement.id]
            assert OUTCOMES[column.outcome[number]] is verdict.outcome
            assert column.reasons[column.reason[number]] == verdict.reason
            if verdict.value is not None:
                assert (column.value[number], column.margin[number]) == (
                    verdict.value,
                    verdict.margin,
                )
            count += 1
    assert count == len(rows)


def test_an_empty_set_has_no_verdicts():
    nobody = SpectrumSet(Axis(GRID, "nm"), np.empty((0, GRID.size)), "%T", ())
    assert judge(nobody, spec(line()), []) == []


def test_a_derived_spectrum_is_named_in_its_verdict():
    (verdict,) = judge(flat(95.0), spec(line()), [PART], spectrum="d1")
    assert verdict.spectrum == "d1"


def test_an_explanation_is_one_sentence_with_value_limit_margin_and_place():
    row = np.full(GRID.size, 0.3)
    row[150] = 0.4567
    verdict = one(make_set(row, unit="%R"), unit="%R", what="maximum", at_least=None,
                  at_most="0.50", uncertainty=0.02, angle_deg=8, side="front",
                  )  # fmt: skip
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    known = Conditions(angle_deg=8.0, side="front")
    verdict = one(make_set(row, unit="%R"), known, unit="%R", what="maximum", at_least=None,
                  at_most="0.50", uncertainty=0.02, angle_deg=8, side="front")  # fmt: skip
    assert explain(verdict) == (
        "Maximum reflectance from 420 nm to 680 nm, at most 0.50 %R, angle of incidence 8°, "
        "side front: found 0.457 %R at 550 nm, 0.043 %R inside the limit, "
        "expanded uncertainty 0.02 %R (k = 2), over 99.99 % probability that it lies inside the "
        "limits, undecided from 0.48 to 0.52 %R: pass."
    )


def test_an_explanation_of_an_undecided_value_says_on_which_side_it_lies():
    assert explain(one(flat(91.9), uncertainty=0.3)).endswith(
        "found 91.90 %T, 0.10 %T outside the limit, expanded uncertainty 0.3 %T (k = 2), "
        "25.25 % probability that it lies inside the limits, undecided from 91.7 to 92.3 %T: "
        "undecided, because it lies within the guard band of U around the limit."
    )


class TestBandwidth:
    """A requirement that limits the slit says nothing of a scan whose slit is wider or unknown."""

    def reason(self, *bandwidths: Bandwidth) -> str:
        conditions = Conditions(bandwidths=bandwidths)
        narrow = spec(line(largest_bandwidth_nm=2))
        (verdict,) = judge(make_set(np.full(301, 95.0)), narrow, [conditions])
        return verdict.reason if verdict.outcome is Outcome.NOT_MEASURABLE else ""

    def test_unknown(self) -> None:
        assert "bandwidth of the scan is unknown" in self.reason()
        assert "unknown" in self.reason(Bandwidth(400, 500, 2.0), Bandwidth(500, 700, None))

    def test_unknown_in_a_part_of_the_band(self) -> None:
        assert "unknown" in self.reason(Bandwidth(400, 500, 2.0))
        assert "unknown" in self.reason(Bandwidth(400, 500, 2.0), Bandwidth(520, 700, 2.0))
        assert self.reason(Bandwidth(520, 700, 2.0), Bandwidth(300, 520, 2.0)) == ""

    def test_it_is_asked_for_in_blocking_bands_too(self) -> None:
        leak = {"what": "leakage", "of": "%T", "unit": "%T", "definition": "largest"}
        leak |= {"largest_interval": 2, "floor": 1e-6, "blocking_bands": [[420, 450], [600, 650]]}
        asked = LeakageRequirement(id="r", largest_bandwidth_nm=2, at_most="99", **leak)
        for width, outcome in ((2.0, Outcome.PASS), (5.0, Outcome.NOT_MEASURABLE)):
            known = Conditions(bandwidths=(Bandwidth(400, 500, 2.0), Bandwidth(500, 700, width)))
            (verdict,) = judge(make_set(np.full(301, 95.0)), spec(asked), [known])
            assert verdict.outcome is outcome

    def test_wider_within_the_band_only(self) -> None:
        assert self.reason(Bandwidth(400, 700, 2.0)) == ""
        assert "is 5 nm" in self.reason(Bandwidth(400, 600, 2.0), Bandwidth(600, 700, 5.0))
        assert self.reason(Bandwidth(400, 690, 2.0), Bandwidth(690, 700, 5.0)) == ""


NOBODY = Uncertainty(*(np.array([np.nan]) for _ in range(3)))


def test_a_bound_decides_only_where_the_true_value_cannot_be_elsewhere() -> None:
    def outcome(bound: int, value: float, **limits: str) -> Outcome:
        asked = line(**limits)
        number = decide(asked, np.array([value]), np.array([bound], np.int8), NOBODY)
        return OUTCOMES[number.outcome[0]]

    above, below = {"at_least": "92.0"}, {"at_most": "92.0", "at_least": None}
    assert outcome(AT_LEAST, 92.5, **above) is Outcome.PASS
    assert outcome(AT_LEAST, 91.5, **above) is Outcome.NOT_MEASURABLE
    assert outcome(AT_LEAST, 92.5, **below) is Outcome.FAIL
    assert outcome(AT_LEAST, 91.5, **below) is Outcome.NOT_MEASURABLE
    assert outcome(AT_MOST, 91.5, **above) is Outcome.FAIL
    assert outcome(AT_MOST, 91.5, **below) is Outcome.PASS
    both = {"at_least": "90.0", "at_most": "92.0"}
    assert outcome(AT_LEAST, 91.0, **both) is Outcome.NOT_MEASURABLE
    assert outcome(EXACT, 91.0, **both) is Outcome.PASS


def test_a_mean_over_wavenumbers_says_over_what_it_is_integrated():
    line_in = {"what": "mean", "unit": "%T", "axis_unit": "cm-1", "band": (15000, 24000)}
    with pytest.raises(ValueError, match="integrated_over = one of wavelength, wavenumber"):
        line(**line_in)
    with pytest.raises(ValueError, match='with what = "mean" only'):
        line(**line_in | {"what": "minimum", "integrated_over": "wavelength"})
    spectra = make_set(GRID / 10, medium="vacuum")
    for variable, expected in (("wavelength", 54.1667), ("wavenumber", 52.2226)):
        verdict = one(spectra, **line_in, integrated_over=variable, at_least="52.0000")
        assert verdict.value == pytest.approx(expected, abs=2e-3)
        assert verdict.description == (
            f"mean transmittance integrated over {variable} from 15000 cm-1 to 24000 cm-1, at "
            "least 52.0000 %T"
        )
    flat_on_limit = one(flat(92.0), **line_in, integrated_over="wavelength")
    assert flat_on_limit.outcome is Outcome.PASS
