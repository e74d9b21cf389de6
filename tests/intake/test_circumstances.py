"""What the checks of a scan are told beside its values: from settings, requirements and archive."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from speclake.archive.encoding import encode
from speclake.archive.rows import StoredSpectrum
from speclake.checks import Check
from speclake.fitness import Figure, examine
from speclake.fitness.circumstances import Circumstances
from speclake.intake.circumstances import Earlier, Knowing, ranges_in_nm, wanted_by
from speclake.intake.fitness import last_digit
from speclake.measurement import Kind, Link, LinkKind, Range
from speclake.settings import Configuration, Fitness, Settings
from speclake.specs import Specification
from speclake.spectrum import Axis, SpectrumSet
from tests.build import measurement, spectrum
from tests.intake.bench import MONDAY, NM, bench, scan, take

STATED = """
name = "s"
[[requirement]]
id = "stated"
what = "minimum"
unit = "%T"
band = [0.5, 0.6]
axis_unit = "um"
at_least = 90
uncertainty = 0.3
[[requirement]]
id = "capped"
what = "mean"
unit = "%R"
band = [400, 500]
at_most = 1
uncertainty = 0.2
largest_uncertainty = 0.1
"""


def of(m, settings=None, earlier=None, specifications=()):
    """Circumstances of one measurement."""
    named = {m.measurement_id: specifications}
    known = Knowing(settings or Settings(name="lab"), earlier or Earlier(), named)
    return known.of(m, 0.001)


def blank(name, hours, kind=Kind.BLANK, **known):
    return scan(name, 100.0, hours, kind=kind, product=None, **known)[0]


class TestChangeOvers:
    SETTINGS = Settings(
        name="lab",
        configuration=(
            Configuration(instrument="bench 1", starting=date(2025, 1, 1), changeovers_nm=(800.0,)),
            Configuration(instrument="bench 1", starting=date(2026, 3, 1), changeovers_nm=(860.0,)),
        ),
    )

    def test_dated_settings_go_before_what_is_common(self):
        m = scan("A", 95.0, changeovers=(860.0,))[0]
        (found,) = of(m, self.SETTINGS).changeovers
        assert (found.at_nm, found.evidence) == (860.0, "settings of 2026-03-01")

    def test_what_the_scan_was_taken_in_with_goes_before_settings_of_today(self):
        m = scan("A", 95.0, changeovers=(820.0,))[0]
        (found,) = of(m, self.SETTINGS).changeovers
        assert (found.at_nm, found.evidence) == (820.0, "settings at the time of the scan")

    def test_what_the_header_states_goes_before_all_settings(self):
        m = scan("A", 95.0, changeovers=(810.0,), origin={"changeovers_nm": "header"})[0]
        (found,) = of(m, self.SETTINGS).changeovers
        assert (found.at_nm, found.evidence) == (810.0, "header")

    def test_a_configuration_of_the_method_goes_before_a_later_one_of_any(self):
        own = Configuration(
            instrument="bench 1", method="M 3", starting=date(2025, 6, 1), changeovers_nm=(840.0,)
        )
        more = Settings(name="lab", configuration=(own, *self.SETTINGS.configuration))
        (found,) = of(scan("A", 95.0, method="M 3")[0], more).changeovers
        assert (found.at_nm, found.evidence) == (840.0, "method M 3, settings of 2025-06-01")
        assert of(scan("A", 95.0)[0], more).changeovers[0].at_nm == 860.0

    def test_where_nobody_says_it_is_called_common_practice(self):
        found = of(scan("A", 95.0)[0]).changeovers
        assert [c.at_nm for c in found] == list(Fitness().common_changeovers_nm)
        assert {c.evidence for c in found} == {"common practice"}


class TestWanted:
    SPECIFICATION = Specification.from_toml_text(STATED, "s")

    def test_the_largest_that_is_allowed_goes_before_the_one_stated(self):
        stated, capped = wanted_by(self.SPECIFICATION)
        assert (stated.start_nm, stated.stop_nm, stated.uncertainty) == (500, 600, 0.3)
        assert (capped.uncertainty, capped.coverage_factor, capped.unit) == (0.1, 2.0, "%R")

    def test_only_requirements_on_the_same_quantity_want_something_of_a_scan(self):
        found = of(scan("A", 95.0)[0], specifications=[self.SPECIFICATION]).wanted
        assert [each.requirement for each in found] == ["stated"]


class TestAgainst:
    def test_the_latest_before_the_scan_by_the_same_configuration(self):
        earlier = Earlier()
        for m in (
            blank("b1", -5), blank("b2", -1), blank("b3", 1), blank("b4", -0.5, accessory="sphere"),
            blank("z1", -3, Kind.ZERO_LINE),
        ):  # fmt: skip
            earlier.add(m, ())
        found = of(scan("A", 95.0)[0], earlier=earlier).against
        assert [(a.role, a.name, a.evidence) for a in found] == [
            ("baseline", "b2", "the latest one before"),
            ("zero line", "z1", "the latest one before"),
        ]
        assert found[0].taken_at == MONDAY - timedelta(hours=1)
        assert (found[0].first_nm, found[0].last_nm) == (400, 700)

    def test_what_the_header_names_goes_before_the_latest(self):
        earlier = Earlier()
        for m in (blank("b1", -5), blank("b2", -1)):
            earlier.add(m, ())
        link = Link(LinkKind.MEASURED_AGAINST, "b1", by_name=True, evidence="header")
        found = of(scan("A", 95.0, links=(link,))[0], earlier=earlier).against
        assert [(a.name, a.evidence) for a in found] == [("b1", "header")]

    def test_a_name_that_nobody_knows_is_told_without_a_time(self):
        link = Link(LinkKind.MEASURED_AGAINST, "base 9", by_name=True, evidence="header")
        (found,) = of(scan("A", 95.0, links=(link,))[0]).against
        assert (found.name, found.taken_at) == ("base 9", None)

    def test_nothing_is_told_of_an_unknown_instrument(self):
        earlier = Earlier()
        earlier.add(blank("b1", -1, instrument=None), ())
        found = of(scan("A", 95.0, instrument=None)[0], earlier=earlier)
        assert (found.against, found.blank_steps, found.usual_noise) == ((), (), ())

    def test_steps_of_the_latest_blank(self):
        earlier = Earlier()
        for name, hours, step in (("b1", -5, 0.1), ("b2", -1, 0.3)):
            figure = Figure(
                name="step", value=step, uncertainty=0.02, unit="%T", start=840, stop=880, at=860
            )
            earlier.add(blank(name, hours), [figure])
        (found,) = of(scan("A", 95.0)[0], earlier=earlier).blank_steps
        assert (found.at_nm, found.step, found.measured_at) == (
            860,
            0.3,
            MONDAY - timedelta(hours=1),
        )
        assert of(blank("b3", 1), earlier=earlier).blank_steps == ()


class TestFromTheArchive:
    NM = np.arange(700.0, 1001.0)

    def stepped(self, name, level, hours, **known):
        values = level + np.where(self.NM >= 860, 0.6, 0.0)
        return scan(name, values, hours, nm=self.NM, accessory="holder", **known)

    @pytest.mark.parametrize("commits", [1, 2])
    def test_a_blank_tells_the_step_whether_it_came_before_or_with_the_scan(
        self, tmp_path, commits, monkeypatch
    ):
        told = []
        monkeypatch.setattr(
            "speclake.intake.fitness.examine",
            lambda spectra, known, limits: told.extend(known) or examine(spectra, known, limits),
        )
        line = self.stepped("b1", 100.0, 0, kind=Kind.BLANK, product=None)
        part = self.stepped("A", 60.0, 1)
        with bench(tmp_path / "lab") as archive:
            for scans in ([part, line],) if commits == 1 else ([line], [part]):
                take(archive, *scans)
        assert [each.kind for each in told] == [Kind.BLANK, Kind.PART]
        (step,) = [each for each in told[1].blank_steps if each.at_nm == 860]
        assert step.step == pytest.approx(0.6, abs=0.1)
        assert [each.role for each in told[1].against] == ["baseline"]

    def test_a_blank_of_an_earlier_part_of_the_same_commit_is_known(self, tmp_path):
        line = self.stepped("b1", 100.0, 0, kind=Kind.BLANK, product=None)
        m, spectrum = self.stepped("A", 60.0, 1)
        stored = StoredSpectrum(m.measurement_id, spectrum.axis.id, encode(spectrum.values))
        spectra = SpectrumSet(
            spectrum.axis, spectrum.values[None], spectrum.unit, (m.measurement_id,)
        )
        with bench(tmp_path / "lab") as archive:
            examiner, catalog = archive.judge_step.examiner, archive.store.catalog
            figure = Figure(
                name="step", value=0.6, uncertainty=0.02, unit="%T", start=840, stop=880, at=860
            )
            alone, known = (
                examiner.new([m], [stored], lambda _: [spectra], catalog, {}, before)
                for before in ((), [(line[0], [figure])])
            )
        steps = [[f for f in t.findings if f.check is Check.CHANGE_OVER] for t in (alone, known)]
        assert steps[0] and [f.text for f in steps[0]] != [f.text for f in steps[1]]

    def test_usual_noise_is_that_of_scans_before(self, tmp_path, monkeypatch):
        told = []
        monkeypatch.setattr(
            "speclake.intake.fitness.examine",
            lambda spectra, known, limits: told.extend(known) or examine(spectra, known, limits),
        )
        with bench(tmp_path / "lab") as archive:
            take(archive, *(scan(f"A{n}", 95.0, n / 10, noise=0.05) for n in range(12)))
            take(archive, scan("B", 95.0, 2, noise=0.05))
        assert told[0].usual_noise == ()
        assert told[-1].usual_noise
        for usual in told[-1].usual_noise:
            assert usual.median == pytest.approx(0.05, rel=0.4) and usual.unit == "%T"

    def test_stored_scans_are_examined_again_to_the_same_findings(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            bad = np.where(NM == 500, 60.0, 95.0)
            m, spectra = scan("A", bad, 0, noise=0.02)
            batch = take(archive, (m, spectra))
            store = archive.store
            again = archive.judge_step.examiner.again(
                store.catalog.measurements([m.measurement_id]),
                store.spectra([m.measurement_id]), store.catalog, {},
            )[m.measurement_id]  # fmt: skip
            told = [(f.check, f.text) for f in batch.findings if f.check is not Check.STATE_UNKNOWN]
            assert Check.SPIKE in {check for check, _ in told}
            assert [(f.check, f.text) for f in again.findings] == told


class TestNumbers:
    @pytest.mark.parametrize(
        ("values", "step"),
        [([1.25, 2.5], 0.01), ([1.0, 2.0], 1.0), ([1.25, np.nan], 0.01), ([1 / 3, 2.0], None)],
    )
    def test_the_last_digit_of_an_export(self, values, step):
        assert last_digit(encode(np.array(values))) == step

    def test_ranges_of_an_axis_of_wavenumbers_are_told_in_nm(self):
        # 1e7 / 20 000 cm-1 is 500 nm, 1e7 / 10 000 cm-1 is 1000 nm
        m = measurement(of=spectrum(), axis_unit="cm-1", ranges=(Range(20_000, 10_000, 2.0),))
        (found,) = ranges_in_nm(m)
        assert (found.start, found.stop, found.bandwidth_nm) == pytest.approx((500, 1000, 2.0))


class TestAnyScan:
    """Every check answers for every scan that an importer may bring, however odd."""

    KNOWN = Circumstances(
        kind=Kind.BLANK, instrument="bench 1", last_digit=0.001,
        taken_at=datetime(2026, 3, 2, tzinfo=UTC),
    )  # fmt: skip

    @pytest.mark.parametrize("unit", ["%T", "T", "A", "%R", "R", "log(1/R)"])
    @pytest.mark.parametrize("points", [1, 2, 3, 7, 50])
    @pytest.mark.parametrize("axis_unit", ["nm", "um", "cm-1", "eV"])
    def test_few_points_constants_holes_and_zeros(self, unit, points, axis_unit):
        nm = np.linspace(190.0, 3000.0, points) if points > 1 else np.array([550.0])
        grid = {"nm": nm, "um": nm / 1e3, "cm-1": 1e7 / nm[::-1], "eV": 1239.84198 / nm[::-1]}
        axis = Axis(grid[axis_unit], axis_unit)
        rows = np.array([
            np.zeros(points), np.full(points, 1.0), np.full(points, np.nan),
            np.where(np.arange(points) % 2, np.nan, 1.0), np.full(points, -5.0),
            np.linspace(-1, 200, points), np.full(points, 1e30),
        ])  # fmt: skip
        spectra = SpectrumSet(axis, rows, unit, tuple("abcdefg"))
        for known in (self.KNOWN, Circumstances()):
            found = examine(spectra, [known] * len(rows), Fitness())
            for each in found:
                for figure in each.figures:
                    assert np.isfinite(figure.value) and figure.start <= figure.stop
                for finding in each.findings:
                    assert finding.text and "nan" not in finding.text.lower()
                    assert finding.check is not Check.FAILED, finding.text
