"""The verdicts on a measurement explained: one sentence and one picture each."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from speclake.api.exporting import placed
from speclake.errors import CannotWrite, NotFound, UnitError
from speclake.intake.verdicts import current_verdicts, specification_of
from speclake.judging import AS_EXPORTED, explain
from speclake.judging.explaining import CAUTION_OF_UNIT
from speclake.judging.pictures import Picture, picture_of, svg_of
from speclake.specs.requirements import Requirement
from speclake.specs.verdicts import SEVERITY, Verdict
from speclake.spectrum import SpectrumSet

if TYPE_CHECKING:
    from speclake.api.archive import Archive


@dataclass(frozen=True, eq=False)
class Explanation:
    """One verdict explained; `no_picture` says why there is no picture where there is none."""

    verdict: Verdict
    sentence: str
    picture: Picture | None
    no_picture: str = ""


def explanations(
    archive: "Archive", measurement_id: str, requirement: str | None = None, spec: str | None = None
) -> list[Explanation]:
    """Current verdicts on a measurement explained, the worst first.

    Parameters
    ----------
    requirement, spec : only those of this requirement, by this specification.

    Raises
    ------
    speclake.errors.NotFound
        There is no such measurement, or it has no verdict of the requirement.
    """
    (m,) = archive.measurements([measurement_id])
    verdicts = [
        each
        for each in current_verdicts(archive.store.catalog, [m.measurement_id])
        if requirement in (None, each.requirement) and spec in (None, each.spec)
    ]
    if not verdicts and (requirement or spec):
        asked = " by ".join(repr(each) for each in (requirement, spec) if each)
        raise NotFound(f"{measurement_id}: found no current verdict of {asked}")
    drawing = _Drawing(archive)
    verdicts.sort(key=lambda each: (SEVERITY.index(each.outcome), each.spec))
    return [drawing.explained(each) for each in verdicts]


class _Drawing:
    """Pictures of verdicts; each spectrum and each specification is fetched once."""

    def __init__(self, archive: "Archive") -> None:
        self._archive = archive
        self._spectra: dict[tuple[str, str], Sequence[SpectrumSet]] = {}
        self._requirements: dict[str, dict[str, Requirement]] = {}

    def explained(self, verdict: Verdict) -> Explanation:
        sentence, found = explain(verdict), self._judged(verdict)
        if not found:
            return Explanation(verdict, sentence, None, "the archive holds no values for it")
        try:
            picture = picture_of(
                verdict, self._requirement(verdict), found[0], self._beside(verdict)
            )
        except UnitError as error:
            return Explanation(verdict, sentence, None, str(error))
        return Explanation(verdict, sentence, picture)

    def _judged(self, verdict: Verdict) -> Sequence[SpectrumSet]:
        """The spectrum that was judged: as exported, or derived."""
        key = (verdict.measurement_id, verdict.spectrum)
        if key not in self._spectra:
            self._spectra[key] = (
                self._archive.spectra([verdict.measurement_id])
                if verdict.spectrum == AS_EXPORTED
                else self._archive.store.derived([verdict.spectrum])
            )
        return self._spectra[key]

    def _beside(self, verdict: Verdict) -> Sequence[SpectrumSet]:
        """The spectra that a number draws on beside the one that was judged."""
        lead = [] if verdict.spectrum == AS_EXPORTED else [verdict.measurement_id]
        return self._archive.spectra([*lead, *verdict.drawn_from])

    def _requirement(self, verdict: Verdict) -> Requirement:
        if verdict.spec_version not in self._requirements:
            found = specification_of(self._archive.store.catalog, verdict.spec_version)
            self._requirements[verdict.spec_version] = {each.id: each for each in found.requirement}
        return self._requirements[verdict.spec_version][verdict.requirement]


def one_of(found: Sequence[Explanation]) -> Explanation:
    """The one verdict that is asked for.

    Raises
    ------
    speclake.errors.CannotWrite
        There is none, or there are several.
    """
    if len(found) != 1:
        names = ", ".join(repr(each.verdict.requirement) for each in found) or "none"
        raise CannotWrite(f"found {len(found)} verdicts ({names}); expected one: say which")
    return found[0]


def told(archive: "Archive", found: Sequence[Explanation]) -> list[dict[str, Any]]:
    """Verdicts explained as plain values, for the command line and for programs."""
    concessions = archive.concessions([each.verdict.measurement_id for each in found])
    return [
        {
            "spec": each.verdict.spec,
            "requirement": each.verdict.requirement,
            "outcome": str(each.verdict.outcome),
            "sentence": each.sentence,
            "caution": CAUTION_OF_UNIT.get(each.verdict.unit),
            "concession": concessions.said(each.verdict),
            "picture": each.picture.words if each.picture else None,
            "no_picture": each.no_picture,
        }
        for each in found
    ]


def write_picture(explanation: Explanation, target: Path) -> None:
    """Write the picture of a verdict to a file, whole or not at all.

    Raises
    ------
    speclake.errors.CannotWrite
        The file does not end in ``.svg``, or there is no picture.
    """
    if target.suffix.lower() != ".svg":
        raise CannotWrite(f"{target.name}: found the ending {target.suffix!r}; expected .svg")
    if explanation.picture is None:
        raise CannotWrite(f"{target.name}: there is no picture: {explanation.no_picture}")
    text = svg_of(explanation.picture)
    with placed(target) as beside:
        beside.write_text(text, "utf-8")
