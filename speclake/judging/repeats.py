"""Which of several spectra of one place count, and the record that says so."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from speclake.specs.rollup import Repeats


@dataclass(frozen=True)
class Choice:
    """A person's word on which spectrum of a place counts, and why."""

    who: str
    why: str
    at: datetime


@dataclass(frozen=True)
class Counted:
    """Spectra of one place that count.

    Parameters
    ----------
    ids : of those that count, the oldest first; with `as_mean` they count together, as their mean.
    by : whose word it is that no other counts; None where nobody's was needed or given.
    why_more : why more than one counts, in words; empty where one does.
    """

    ids: tuple[str, ...]
    as_mean: bool = False
    by: Choice | None = None
    why_more: str = ""


def counted(
    measured: Mapping[str, datetime], repeats: Repeats, choices: Mapping[str, Choice]
) -> Counted:
    """Those of the spectra of one place that count by the rule of a specification.

    A choice narrows them down only where the rule lets a person choose. Of several choices the
    last one holds. Under ``latest`` it must name the latest spectrum: one that was measured after
    the choice takes its force away.

    Parameters
    ----------
    measured : when each was measured, by identifier.
    choices : by the identifier that each names, in the order of the record, which no clock that
        was set back can turn round; of other places too.
    """
    order = tuple(sorted(measured, key=lambda each: (measured[each], each)))
    if len(order) < 2:
        return Counted(order)
    if repeats.count == "mean":
        return Counted(order, as_mean=True, why_more="their mean counts")
    if repeats.count == "every":
        return Counted(order, why_more="each counts")
    named = [each for each in choices if each in measured]
    if not named:
        said = "the latest" if repeats.count == "latest" else "which one"
        return Counted(order, why_more=f"each counts until a person records why {said} counts")
    chosen = named[-1]
    if repeats.count == "latest" and not _is_latest(chosen, measured):
        return Counted(
            order, why_more="each counts, since the one that a person named is not the latest"
        )
    return Counted((chosen,), by=choices[chosen])


def _is_latest(chosen: str, measured: Mapping[str, datetime]) -> bool:
    return all(at < measured[chosen] for each, at in measured.items() if each != chosen)
