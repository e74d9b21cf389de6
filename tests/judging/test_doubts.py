"""Doubts about a scan: which of them leave no verdict, where, and what the reason says."""

import numpy as np
import pytest

from speclake.checks import Check
from speclake.errors import BadSettings
from speclake.judging import Conditions, judge
from speclake.judging.conditions import Doubt
from speclake.judging.doubts import within
from speclake.judging.several import Drawn, judge_made
from speclake.specs import Outcome, Specification
from speclake.spectrum import Axis, SpectrumSet

BY_DEFAULT = (Check.SATURATION, Check.IDENTICAL, Check.UNFIT)


def specification(more: str = "", before: str = "", band: str = "band = [400, 600]"):
    text = f'name = "s"\n{before}\n[[requirement]]\nid = "r"\nwhat = "mean"\nunit = "%T"\n'
    return Specification.from_toml_text(f"{text}{band}\nat_least = 90\n{more}", "s")


def found(spec, *doubts, **known):
    grid = np.arange(380.0, 621.0)
    spectra = SpectrumSet(Axis(grid, "nm"), np.full((1, grid.size), 95.0), "%T", ("m",))
    (verdict,) = judge(spectra, spec, [Conditions(doubts=doubts, **known)])
    return verdict


def doubt(check=Check.SATURATION, start=None, stop=None, text="40 points stand at 95.0 %T"):
    return Doubt(check, start, stop, text)


class TestWhichBlock:
    @pytest.mark.parametrize("check", list(Check))
    def test_the_default_blocks_a_few_alone(self, check):
        outcome = found(specification(), doubt(check)).outcome
        is_blocking = check in (*BY_DEFAULT, Check.REVIEW)
        assert outcome is (Outcome.NOT_MEASURABLE if is_blocking else Outcome.PASS)

    def test_the_reason_is_the_finding_in_words(self):
        verdict = found(specification(), doubt())
        assert verdict.value is None
        assert verdict.reason == "the scan is in doubt; saturation: 40 points stand at 95.0 %T"

    def test_several_are_told_but_not_without_end(self):
        doubts = [doubt(text=f"no. {n}") for n in range(6)]
        reason = found(specification(), *doubts).reason
        assert reason.endswith("no. 2; and 3 more such findings")

    def test_a_requirement_goes_before_its_specification(self):
        spec = specification('blocked_by = "spike"', 'blocked_by = ["noise"]')
        assert found(spec, doubt(Check.NOISE)).outcome is Outcome.PASS
        assert found(spec, doubt(Check.SPIKE)).outcome is Outcome.NOT_MEASURABLE
        assert spec.requirements[0].blocked_by == (Check.SPIKE,)

    def test_review_blocks_though_nothing_is_said_to_block(self):
        spec = specification("blocked_by = []")
        assert found(spec, doubt(Check.UNFIT)).outcome is Outcome.PASS
        assert found(spec, doubt(Check.REVIEW)).outcome is Outcome.NOT_MEASURABLE

    def test_a_check_that_there_is_not_is_refused_with_all_that_there_are(self):
        with pytest.raises(BadSettings, match=r"found 'spikes'; allowed is .*'spike'"):
            specification('blocked_by = ["spikes"]')

    def test_the_default_leaves_the_version_as_it_was(self):
        listed = '["saturation", "identical values", "instrument unfit"]'
        said = specification(before=f"blocked_by = {listed}")
        assert said.version == specification().version
        assert specification("blocked_by = []").version != specification().version

    def test_each_scan_has_doubts_of_its_own(self):
        grid = np.arange(380.0, 621.0)
        spectra = SpectrumSet(Axis(grid, "nm"), np.full((4, grid.size), 95.0), "%T", tuple("abcd"))
        doubts = (), (doubt(Check.NOISE, text="one"),), (doubt(text="two"),), (doubt(text="three"),)
        verdicts = judge(spectra, specification(), [Conditions(doubts=each) for each in doubts])
        blocked = "the scan is in doubt; saturation: "
        assert [v.reason.removeprefix(blocked) for v in verdicts] == ["", "", "two", "three"]


class TestWhereTheyBlock:
    @pytest.mark.parametrize(
        ("start", "stop", "blocks"),
        [
            (300, 399, False),
            (300, 400, True),
            (450, 460, True),
            (600, 700, True),
            (602, 700, False),
        ],
    )
    def test_only_where_the_number_is_taken(self, start, stop, blocks):
        outcome = found(specification(), doubt(start=start, stop=stop)).outcome
        assert (outcome is Outcome.NOT_MEASURABLE) == blocks

    @pytest.mark.parametrize(("stop", "blocks"), [(20_000.0, True), (15_000.0, False)])
    def test_ends_in_another_unit_are_brought_together(self, stop, blocks):
        # 15 000 cm-1 is 666.7 nm and 20 000 cm-1 is 500 nm: 1e7 over the number
        about = doubt(start=10_000.0, stop=stop)
        outcome = found(specification(), about, axis_unit="cm-1").outcome
        assert (outcome is Outcome.NOT_MEASURABLE) == blocks

    def test_smoothing_reaches_half_a_window_farther(self):
        smoothing = "[requirement.after_smoothing]\nwindow = 10\ndegree = 1"
        about = doubt(start=390, stop=396)
        assert found(specification(), about).outcome is Outcome.PASS
        assert found(specification(smoothing), about).outcome is Outcome.NOT_MEASURABLE

    def test_doubts_are_cut_to_a_stretch(self):
        doubts = (doubt(start=300, stop=500), doubt(start=700, stop=800), doubt())
        assert [(d.start, d.stop) for d in within(doubts, 400, 600)] == [(400, 500), (None, None)]


class TestSeveralScans:
    JOINED = """
    [requirement.drawn_from]
    how = "joined segments"
    segments = ["ultraviolet", "visible"]
    seams = [450]
    largest_step = 1.0
    """

    def judged(self, *doubts):
        spec = specification(self.JOINED)
        grids = np.arange(380.0, 471.0), np.arange(440.0, 621.0)
        drawn = [
            Drawn(
                SpectrumSet(Axis(grid, "nm"), np.full((1, grid.size), 95.0), "%T", (name,)),
                [Conditions(segment=name, doubts=its)],
            )
            for name, grid, its in zip(("ultraviolet", "visible"), grids, doubts, strict=True)
        ]
        return judge_made(spec, spec.requirements[0], drawn).verdicts[0]

    def test_a_doubt_of_either_scan_blocks(self):
        assert self.judged((), ()).outcome is Outcome.PASS
        assert self.judged((doubt(start=420, stop=430),), ()).outcome is Outcome.NOT_MEASURABLE
        verdict = self.judged((), (doubt(start=500, stop=510),))
        assert verdict.outcome is Outcome.NOT_MEASURABLE
        assert "visible" in verdict.reason and "saturation" in verdict.reason

    def test_what_is_not_used_of_a_scan_blocks_nothing(self):
        assert self.judged((doubt(start=460, stop=470),), ()).outcome is Outcome.PASS
