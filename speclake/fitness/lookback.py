"""What a failed check puts in doubt: since when, and by how much verdicts could change.

The error that a check found is put onto past spectra (`speclake.fitness.observing`), and their
verdicts are taken again. How far a value moves is the most that was seen with this error put on; it
is no correction, and it is no bound on what an error that changed meanwhile may have done.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from speclake.fitness.states import Result, runs
from speclake.specs.verdicts import SEVERITY, Outcome, Verdict


@dataclass(frozen=True, slots=True)
class Window:
    """Time in which measurements are in doubt: after `since`, before `until`; None for no end.

    Parameters
    ----------
    failed : the run that failed.
    """

    failed: Result
    since: datetime | None
    until: datetime | None


@dataclass(frozen=True, slots=True)
class Move:
    """What a verdict could become.

    Parameters
    ----------
    verdict : without the error.
    by : largest change of its value, in its unit; None where one of the values is missing.
    could_become : outcomes that it would have with the error, worst first, its own left out.
    """

    verdict: Verdict
    by: float | None
    could_become: tuple[Outcome, ...]

    @property
    def sentence(self) -> str:
        """In words, with value, margin and how far it moves."""
        v = self.verdict
        said = f"{v.description}: {v.outcome}"
        if v.value is not None:
            margin = "" if v.margin is None else f", margin {v.margin:.3g} {v.unit}"
            said = f"{v.description}: {v.shown or f'{v.value:g}'} {v.unit}, {v.outcome}{margin}"
        moved = "" if self.by is None else f"; moves by up to {self.by:.2g} {v.unit}"
        if not self.could_become:
            return f"{said}{moved}; stays {v.outcome}"
        return f"{said}{moved}; could become {' or '.join(self.could_become)}"


def in_question(
    results: Iterable[Result], programme: str, check: str, failed_at: datetime | None = None
) -> Window | None:
    """Since when a failed check puts measurements in doubt, and until when; None without a failure.

    The doubt begins with the last pass before and ends with the next pass after.

    Parameters
    ----------
    failed_at : time of the run to look back from; the latest that failed by default.
    """
    of_check = [
        r for r in runs(results) if r.programme == programme and r.check == check
        and r.outcome is not Outcome.LAPSED
    ]  # fmt: skip
    failures = [
        r for r in of_check
        if r.outcome is Outcome.FAIL and failed_at in (None, r.taken_at)
    ]  # fmt: skip
    if not failures:
        return None
    failed = failures[-1]
    passes = [r.taken_at for r in of_check if r.outcome is Outcome.PASS]
    return Window(
        failed,
        max((at for at in passes if at < failed.taken_at), default=None),
        min((at for at in passes if at > failed.taken_at), default=None),
    )


def moves(before: Iterable[Verdict], after: Iterable[Sequence[Verdict]]) -> list[Move]:
    """What each verdict could become, in the order given.

    Parameters
    ----------
    before : verdicts on the spectra as they are.
    after : those on each set of altered spectra.
    """
    others: dict[tuple[str, str, str], list[Verdict]] = {}
    for each in (verdict for made in after for verdict in made):
        others.setdefault(_named(each), []).append(each)
    return [_move(verdict, others.get(_named(verdict), ())) for verdict in before]


def _named(verdict: Verdict) -> tuple[str, str, str]:
    return verdict.measurement_id, verdict.spec, verdict.requirement


def _move(verdict: Verdict, others: Sequence[Verdict]) -> Move:
    changes = [
        abs(each.value - verdict.value)
        for each in others
        if each.value is not None and verdict.value is not None
    ]
    found = {each.outcome for each in others} - {verdict.outcome}
    return Move(
        verdict,
        max(changes) if changes and len(changes) == len(others) else None,
        tuple(each for each in SEVERITY if each in found),
    )
