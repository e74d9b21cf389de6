"""Rejection through specifications: bounds decide what they can, floors stand in the version."""

import numpy as np
import pytest

from speclake.errors import BadSettings, NotFound
from speclake.intake.specbook import SpecBook
from speclake.judging import Conditions, explain, judge
from speclake.specs import Outcome, Specification
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(400.0, 701.0)
FILTER = np.where((GRID >= 520) & (GRID <= 580), 90.12, 0.0)
FLOOR = """\
# unit: nm
# instrument: bench 2
# accessory: none
# runs: beam blocked and stray light, runs 14 to 18
# date: 2026-03-10
position,T
400,2e-6
700,1e-6
"""


def specification(**keys: str) -> Specification:
    said = {
        "what": '"optical density"',
        "definition": '"minimum"',
        "of": '"A"',
        "unit": '"OD"',
        "band": "[410, 500]",
        "largest_interval": "1",
        "at_least": "4.0",
    } | keys
    lines = "\n".join(f"{key} = {value}" for key, value in said.items() if value)
    return Specification.from_toml_text(f'name = "s"\n[[requirement]]\nid = "r"\n{lines}\n', "s")


def leakage(**keys: str) -> Specification:
    return specification(**{
        "what": '"leakage"', "definition": '"largest"', "of": '"%T"', "unit": '"%T"', "band": "",
        "blocking_bands": "[[410, 500], [600, 690]]", "at_least": "", "at_most": "0.01",
    } | keys)  # fmt: skip


BENCH_2 = Conditions(instrument="Bench 2", accessory="none")


def verdict_of(spec: Specification, values=FILTER, unit="%T", conditions=BENCH_2):
    spectra = SpectrumSet(Axis(GRID, "nm"), np.array([values]), unit, ("m",))
    (verdict,) = judge(spectra, spec, [conditions])
    return verdict


def test_a_bound_passes_what_it_proves_and_leaves_the_rest_open():
    verdict = verdict_of(specification())
    assert verdict.outcome is Outcome.PASS
    assert explain(verdict) == (
        "Minimum optical density from 410 nm to 500 nm, at least 4.0 OD: found at least 4.30 OD "
        "at 410 nm, 0.30 OD inside the limit: pass."
    )
    unproven = verdict_of(specification(at_least="5.0"))
    assert unproven.outcome is Outcome.NOT_MEASURABLE
    assert (unproven.value, unproven.bound, unproven.shown) == (None, "at least", "4.30")
    assert explain(unproven) == (
        "Minimum optical density from 410 nm to 500 nm, at least 5.0 OD: not measurable, because "
        "the value is at least 4.30 OD, and how far above it lies decides."
    )
    assert verdict_of(specification(at_least="", at_most="4.0")).outcome is Outcome.FAIL


def test_negative_transmittance_of_an_absorbance_requirement_is_measured():
    verdict = verdict_of(specification(), FILTER - 0.01)
    assert verdict.bound == "at least"
    assert verdict.outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("definition", "value"),
    [("minimum", 4.0), ("mean", 5.0), ("of mean transmittance", 4.2967)],
)
def test_the_definition_chooses(definition, value):
    """Half of the band at density 4 and half at 6."""
    values = np.where(GRID < 500, 4.0, 6.0)
    spec = specification(definition=f'"{definition}"', band="[400, 599]")
    verdict = verdict_of(spec, values, "A")
    assert verdict.value == pytest.approx(value, abs=1e-2)
    assert (verdict.bound, verdict.outcome) == ("exact", Outcome.PASS)


def test_leakage_through_a_specification():
    values = FILTER.copy()
    values[GRID == 650] = 0.02
    verdict = verdict_of(leakage(), values)
    assert explain(verdict) == (
        "Largest transmittance over the blocking bands 410 nm to 500 nm and 600 nm to 690 nm, at "
        "most 0.01 %T: found 0.020 %T at 650 nm, 0.010 %T outside the limit: fail, "
        "because it lies above the upper limit."
    )
    clean = verdict_of(leakage())
    assert (clean.value, clean.bound, clean.outcome) == (0.005, "at most", Outcome.PASS)
    share = {"definition": '"share of the signal"', "band": "[520, 580]", "unit": '"%"'}
    verdict = verdict_of(leakage(**share, at_most="0.04", floor="1e-4"))
    assert verdict.value == pytest.approx(100 * 180 * 1e-4 / (60 * 0.9012))
    assert (verdict.bound, verdict.outcome) == ("at most", Outcome.PASS)
    unproven = verdict_of(leakage(**share, at_most="0.02", floor="1e-4"))
    assert unproven.outcome is Outcome.NOT_MEASURABLE


@pytest.fixture
def archive(tmp_path):
    for name in ("specs", "floors"):
        (tmp_path / name).mkdir()
    (tmp_path / "floors" / "bench 2.csv").write_text(FLOOR)
    text = """\
name = "s"
[[requirement]]
id = "blocking"
what = "optical density"
definition = "minimum"
of = "T"
unit = "OD"
band = [410, 500]
largest_interval = 1
floor = "bench 2"
at_least = 5
"""
    (tmp_path / "specs" / "s.toml").write_text(text)
    return tmp_path


def test_a_floor_of_the_archive_becomes_part_of_the_specification(archive):
    book = SpecBook(archive / "specs")
    (spec,) = book.current()
    verdict = verdict_of(spec, np.full(GRID.size, -1e-7 / 3), "T")
    assert explain(verdict) == (
        "Minimum optical density from 410 nm to 500 nm, floor bench 2 (bench 2, none, beam blocked "
        "and stray light, runs 14 to 18, 2026-03-10), at least 5 OD: found at least 5.7 OD at 410 "
        "nm, 0.7 OD inside the limit: pass."
    )
    assert verdict.value == pytest.approx(-np.log10(2e-6 - 10 / 300 * 1e-6))
    assert Specification.from_json(spec.to_json()) == spec
    (archive / "floors" / "bench 2.csv").write_text(FLOOR.replace("2e-6", "3e-6"))
    assert book.current()[0].version != spec.version


@pytest.mark.parametrize(
    ("conditions", "said"),
    [
        (Conditions(), "the instrument of the scan is unknown; the floor is that of bench 2 "),
        (Conditions(instrument="bench 2"), "the accessory of the scan is unknown; the floor is "),
        (BENCH_2._replace(instrument="bench 3"),
         "the scan is of bench 3 with accessory none; the floor is that of bench 2 with accessory "
         "none"),
        (BENCH_2._replace(accessory="sphere"), "the scan is of Bench 2 with accessory sphere; "),
    ],
)  # fmt: skip
def test_a_floor_of_another_configuration_proves_nothing(archive, conditions, said):
    (spec,) = SpecBook(archive / "specs").current()
    verdict = verdict_of(spec, FILTER / 100, "T", conditions)
    assert (verdict.outcome, verdict.value) == (Outcome.NOT_MEASURABLE, None)
    assert said in verdict.reason


def test_each_scan_is_held_against_the_floor_of_its_own_configuration(archive):
    lower = FLOOR.replace("bench 2", "bench 3").replace("e-6", "e-7")
    (archive / "floors" / "third.csv").write_text(lower)
    file = archive / "specs" / "s.toml"
    file.write_text(file.read_text().replace('"bench 2"', '["bench 2", "third"]'))
    (spec,) = SpecBook(archive / "specs").current()
    assert Specification.from_json(spec.to_json()) == spec
    conditions = [BENCH_2._replace(instrument=f"bench {number}") for number in (3, 2, 4, 3)]
    dark = np.where(FILTER > 0, FILTER, -1e-6) / 100
    spectra = SpectrumSet(Axis(GRID, "nm"), np.tile(dark, (4, 1)), "T", tuple("abcd"))
    third, second, other, again = judge(spectra, spec, conditions)
    assert second.shown == verdict_of(spec, dark, "T").shown == "5.7"
    assert third.value == again.value == pytest.approx(second.value + 1)
    assert other.reason == (
        "the scan is of bench 4 with accessory none; the floor is that of bench 2 with accessory "
        "none or bench 3 with accessory none"
    )
    assert "floor bench 2 (bench 2, none, " in second.description
    assert " or third (bench 3, none, " in second.description


def test_two_floors_of_one_configuration_are_refused(archive):
    (archive / "floors" / "again.csv").write_text(FLOOR.replace("bench 2", "BENCH 2"))
    file = archive / "specs" / "s.toml"
    file.write_text(file.read_text().replace('"bench 2"', '["bench 2", "again"]'))
    with pytest.raises(BadSettings, match="one floor for each instrument with its accessory"):
        SpecBook(archive / "specs").current()


def test_a_floor_that_nobody_put_in_is_no_verdict(archive):
    with pytest.raises(NotFound, match=r"floors/bench 2\.csv"):
        verdict_of(specification(floor='"bench 2"'))
    (archive / "floors" / "bench 2.csv").unlink()
    with pytest.raises(BadSettings, match=r"floor: found 'bench 2'.*a number in T, or the name"):
        SpecBook(archive / "specs").current()


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("400,2e-6", "400,0", "greater than 0"),
        ("700,1e-6", "300,1e-6", "each position above the one before"),
        ("position,T", "position,%T", "position,T"),
        ("# date: 2026-03-10\n", "", "date"),
        ("# runs", "# run", "line 4, header"),
    ],
)
def test_a_floor_that_is_not_understood_is_refused(archive, before, after, said):
    (archive / "floors" / "bench 2.csv").write_text(FLOOR.replace(before, after))
    with pytest.raises(BadSettings) as caught:
        SpecBook(archive / "specs").current()
    assert str(caught.value).startswith("floors/bench 2.csv")
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (lambda: specification(definition=""), "definition"),
        (lambda: specification(largest_interval=""), "largest_interval"),
        (lambda: specification(of='"%R"'), "of"),
        (lambda: specification(unit='"A"'), "unit = one of OD"),
        (lambda: specification(floor="0"), "floor"),
        (lambda: leakage(band="[520, 580]"), "and only so"),
        (lambda: leakage(definition='"share of the signal"', unit='"%"'), "and only so"),
        (lambda: leakage(blocking_bands="[]"), "lower position first"),
        (lambda: leakage(blocking_bands="[[410, 500], [490, 600]]"), "do not overlap"),
        (lambda: leakage(definition='"share of the signal"', unit='"%"', band="[480, 580]"),
         "outside of the band"),
    ],
)  # fmt: skip
def test_what_contradicts_itself_is_refused(made, said):
    with pytest.raises(BadSettings, match=said):
        made()
