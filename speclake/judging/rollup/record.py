"""What the record says of a part beside the verdicts that count."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime

from speclake.judging.conditions import Conditions
from speclake.judging.repeats import Choice
from speclake.specs.verdicts import Outcome, Verdict

NEVER = datetime.min.replace(tzinfo=UTC)
"""Stands for a time that nobody knows."""


@dataclass(frozen=True)
class Beside:
    """A spectrum that is not among those of the part that count.

    Parameters
    ----------
    said : why it does not count, or which witness piece it is of, in words.
    """

    conditions: Conditions
    verdicts: tuple[Verdict, ...]
    said: str


@dataclass(frozen=True)
class AssignedAway:
    """A spectrum that a person's word, or a run sheet's, took from the part.

    Parameters
    ----------
    outcome : the worst that it had found by the specification until then; None where it had not
        been judged.
    """

    who: str
    why: str
    on: date
    outcome: Outcome | None


@dataclass(frozen=True)
class PartRecord:
    """What the record says of a part, each by the identifier of a measurement.

    Parameters
    ----------
    measured : when each spectrum was measured, witness pieces and what was set aside included.
    quantities : what each spectrum is of; a spectrum of another quantity is no repeat.
    choices : a person's word that of the spectra of its place this one counts.
    set_aside : spectra of the part that were withdrawn or superseded.
    witnesses : spectra of the witness pieces that stand for the part.
    witnesses_aside : by piece in words, spectra of such pieces that were withdrawn or superseded.
    assigned_away : spectra that were of the part and are said to be of something else.
    """

    measured: Mapping[str, datetime] = field(default_factory=dict)
    quantities: Mapping[str, str] = field(default_factory=dict)
    choices: Mapping[str, Choice] = field(default_factory=dict)
    set_aside: Mapping[str, Beside] = field(default_factory=dict)
    witnesses: Mapping[str, Beside] = field(default_factory=dict)
    witnesses_aside: Mapping[str, Mapping[str, Beside]] = field(default_factory=dict)
    assigned_away: Sequence[AssignedAway] = ()

    def time_of(self, measurement_id: str) -> datetime:
        """When a spectrum was measured."""
        return self.measured.get(measurement_id, NEVER)
