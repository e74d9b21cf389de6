"""Which spectra a requirement speaks of, and what becomes of those that it does not."""

import numpy as np
import pytest

from speclake.errors import BadSettings
from speclake.judging import Conditions, judge
from speclake.measurement import Kind
from speclake.specs import Outcome, Specification
from speclake.spectrum import Axis, SpectrumSet

CLASSES = """
[instrument_classes]
"double beam" = ["bench 1", "bench 2"]
integrating = "sphere 1"
"""


def specification(more: str, before: str = "") -> Specification:
    lines = f'name = "s"\n{before}\n[[requirement]]\nid = "r"\nwhat = "mean"\nunit = "%T"\n'
    return Specification.from_toml_text(f"{lines}band = [400, 600]\nat_least = 90\n{more}", "s")


def found(spec: Specification, unit: str = "%T", **known: object) -> tuple[str, str]:
    """Outcome and reason of one spectrum; empty where it gets no verdict."""
    grid = np.arange(400.0, 601.0)
    spectra = SpectrumSet(Axis(grid, "nm"), np.full((1, grid.size), 95.0), unit, ("m",))
    verdicts = judge(spectra, spec, [Conditions(**known)])
    return (verdicts[0].outcome.value, verdicts[0].reason) if verdicts else ("", "")


class TestInstrumentClass:
    SPEC = specification('instrument_class = "double beam"', CLASSES)

    @pytest.mark.parametrize("name", ["bench 1", " Bench 2 "])
    def test_an_instrument_of_the_class_is_judged(self, name: str) -> None:
        assert found(self.SPEC, instrument=name) == ("pass", "")

    def test_one_of_another_class_gets_no_verdict(self) -> None:
        assert found(self.SPEC, instrument="sphere 1") == ("", "")

    def test_one_in_no_class_is_not_measurable(self) -> None:
        outcome, reason = found(self.SPEC, instrument="bench 9")
        assert outcome == Outcome.NOT_MEASURABLE
        assert reason == (
            "the instrument 'bench 9' is in no class; the requirement holds for instrument class "
            "double beam"
        )

    def test_an_unknown_one_is_not_measurable(self) -> None:
        outcome, reason = found(self.SPEC)
        assert outcome == Outcome.NOT_MEASURABLE
        assert reason.startswith("the instrument class is unknown")

    def test_each_spectrum_has_its_own(self) -> None:
        grid = np.arange(400.0, 601.0)
        spectra = SpectrumSet(Axis(grid, "nm"), np.full((4, grid.size), 95.0), "%T", tuple("abcd"))
        names = ["sphere 1", "bench 2", None, "bench 1"]
        verdicts = judge(spectra, self.SPEC, [Conditions(instrument=each) for each in names])
        assert [(v.measurement_id, v.outcome.value) for v in verdicts] == [
            ("b", "pass"), ("c", "not measurable"), ("d", "pass")
        ]  # fmt: skip

    @pytest.mark.parametrize(
        ("classes", "said"),
        [
            (CLASSES, "'sphere', which requirement 'r' asks for"),
            (CLASSES + 'sphere = ["Bench 1"]', "instrument_classes with 'bench 1' once"),
            ("[instrument_classes]\nsphere = []", "the instruments of 'sphere'"),
        ],
    )
    def test_a_class_that_cannot_be_is_refused(self, classes: str, said: str) -> None:
        with pytest.raises(BadSettings, match=said):
            specification('instrument_class = "sphere"', classes)

    def test_a_class_belongs_to_the_version(self) -> None:
        more = CLASSES.replace('"bench 2"', '"bench 3"')
        other = specification('instrument_class = "double beam"', more)
        assert other.version != self.SPEC.version


CONDITIONS = {
    "angle_deg = 8": ({"angle_deg": 0.0}, "the angle of incidence is 0°; the requirement holds at"),
    'polarisation = "p"': ({"polarisation": "s"}, "the polarisation is s; the requirement holds"),
    'side = "front"': ({"side": "back"}, "the side is back; the requirement holds for side front"),
    'stage = "annealed"': ({"stage": "as coated"}, "the stage is as coated"),
    'segment = "visible"': ({"segment": "deep UV"}, "the segment is deep UV"),
    'accessory = "sphere"': ({"accessory": "mirrors"}, "the accessory is mirrors"),
    'geometry = "total"': ({"geometry": "diffuse"}, "the geometry is diffuse"),
    'sites = ["1", "2"]': ({"site": "3"}, "the site is 3; the requirement holds for site 1 or 2"),
    'instrument_class = "double beam"': (
        {"instrument": "sphere 1"},
        "the instrument class is integrating; the requirement holds for instrument class double",
    ),
}  # fmt: skip


@pytest.mark.parametrize("asked", CONDITIONS)
def test_a_condition_that_is_not_met_is_said_where_the_requirement_wants_it(asked: str) -> None:
    known, said = CONDITIONS[asked]
    strict = specification(f'{asked}\nwhen_not_met = "not measurable"', CLASSES)
    outcome, reason = found(strict, **known)
    assert (outcome, reason[: len(said)]) == ("not measurable", said)
    assert found(specification(asked, CLASSES), **known) == ("", "")
    assert "otherwise not measurable" in strict.requirements[0].description


def test_what_is_known_to_differ_goes_before_what_is_unknown() -> None:
    asked = 'side = "front"\nstage = "annealed"\nwhen_not_met = "not measurable"'
    assert found(specification(asked), stage="as coated")[1].startswith("the stage is as coated")


def test_what_is_no_part_gets_no_verdict_in_any_case() -> None:
    strict = specification('side = "front"\nwhen_not_met = "not measurable"')
    assert found(strict, kind=Kind.BLANK, side="back") == ("", "")


def test_another_quantity_is_a_condition_where_the_requirement_names_its_own() -> None:
    strict = 'when_not_met = "not measurable"'
    assert found(specification(strict), "%R") == ("", "")
    named = f'{strict}\nquantity = "transmittance"'
    assert found(specification(named), "%R") == (
        "not measurable",
        "the spectrum is of reflectance; the requirement holds for transmittance",
    )
    assert found(specification(named), "%R", kind=Kind.BLANK) == ("", "")
    assert found(specification('quantity = "transmittance"'), "%R") == ("", "")


class TestAwayFromTheNormal:
    """Common practice: beyond about 10° a scan without a polariser is not unpolarised."""

    @pytest.mark.parametrize(
        ("asked", "known", "outcome"),
        [
            ("angle_deg = 45", "s", "pass"),
            ("angle_deg = 45", "depolarised", "pass"),
            ("angle_deg = 45", "s and p combined", "pass"),
            ("angle_deg = 45", "unpolarised", "not measurable"),
            ("angle_deg = 45", None, "not measurable"),
            ('angle_deg = 45\npolarisation = "unpolarised"', "Unpolarised", "not measurable"),
            ('angle_deg = 45\npolarisation = "unpolarised"', "depolarised", "pass"),
            ('angle_deg = 45\npolarisation = "unpolarised"', "s and p combined", "pass"),
            ('angle_deg = 45\npolarisation = "unpolarised"', "s", ""),
            ('angle_deg = 45\npolarisation = "s"', "unpolarised", ""),
            ("", "unpolarised", "not measurable"),
            ("angle_deg = 45\nlargest_unpolarised_angle_deg = 45", "unpolarised", "pass"),
            ("angle_deg = 45\nlargest_unpolarised_angle_deg = 45", None, "pass"),
        ],
    )
    def test_beyond_the_largest_angle(self, asked: str, known: str | None, outcome: str) -> None:
        assert found(specification(asked), angle_deg=45.0, polarisation=known)[0] == outcome

    @pytest.mark.parametrize("known", ["unpolarised", "depolarised", None])
    def test_near_the_normal(self, known: str | None) -> None:
        asked = specification("angle_deg = 8")
        assert found(asked, angle_deg=8.0, polarisation=known)[0] == "pass"
        assert found(specification(""), polarisation=known)[0] == "pass"

    def test_the_angle_asked_for_counts_not_that_of_the_scan(self) -> None:
        asked = specification("angle_deg = 10")
        assert found(asked, angle_deg=10.4, polarisation="unpolarised")[0] == "pass"

    def test_the_reason_says_what_would_do(self) -> None:
        reason = found(specification(""), angle_deg=45.0, polarisation="unpolarised")[1]
        assert reason == (
            "light without a polariser is not unpolarised at 45°; above 10° the requirement needs "
            "s, p, both combined or a depolariser"
        )
