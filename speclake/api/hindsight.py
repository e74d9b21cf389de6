"""The part of an `Archive` that looks again at what was measured: back, side by side, corrected."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from speclake.archive.lake import Lake
from speclake.intake.verdicts import Judge
from speclake.settings import Settings

if TYPE_CHECKING:
    from speclake.api.comparing import Comparison, RoundRobin
    from speclake.api.correcting import Correction
    from speclake.api.lookingback import LookBack
    from speclake.fitness import Examined


class Hindsight:
    """What an `Archive` tells of past scans in the light of what is known now."""

    store: Lake
    judge_step: Judge
    settings: Settings

    def look_back(
        self,
        instrument: str,
        *,
        programme: str | None = None,
        check: str | None = None,
        **asked: Any,
    ) -> "LookBack":
        """What the failure of a check puts in doubt; see `speclake.api.lookingback.look_back`."""
        from speclake.api.lookingback import look_back

        return look_back(self.store, instrument, programme=programme, check=check, **asked)

    def compare_instruments(self, first: str, second: str, **query: Any) -> "Comparison":
        """Paired difference of two instruments; see `speclake.api.comparing`."""
        from speclake.api.comparing import compare_instruments

        self.store.refresh()
        return compare_instruments(self.store, first, second, **query)

    def round_robin(self, instruments: Sequence[str], **query: Any) -> "RoundRobin":
        """One piece on several instruments; see `speclake.api.comparing.round_robin`."""
        from speclake.api.comparing import round_robin

        self.store.refresh()
        return round_robin(self.store, instruments, **query)

    def correct(self, ids: Sequence[str], *, who: str, why: str, **how: Any) -> "list[Correction]":
        """Corrected spectra beside what was measured; see `speclake.api.operations.operation`.

        They are on record and marked, and never judged. `derived` gives their values.

        Raises
        ------
        speclake.errors.NotFound, speclake.api.events.NotAllowed
            As for `speclake.api.correcting.correct`.
        """
        from speclake.api.correcting import correct
        from speclake.api.operations import operation

        named, making = operation(self.store, self.judge_step, self.settings, **how)
        return correct(self.store, named, making, ids, who=who, why=why)

    def corrections(self, ids: Sequence[str]) -> "list[Correction]":
        """Corrected spectra of measurements, each with its mark."""
        from speclake.api.correcting import corrections

        return corrections(self.store.catalog, ids)

    def whole_ids(self, given: Sequence[str]) -> list[str]:
        """Identifiers of which only the beginning is given; see `speclake.api.identifying`."""
        from speclake.api.identifying import whole_ids

        self.store.refresh()
        return whole_ids(self.store.catalog, given)

    def examine(self, ids: Sequence[str]) -> "dict[str, Examined]":
        """What the checks say today of scans; nothing is written."""
        from speclake.api.examining import examine

        return examine(self.store, self.judge_step, ids)
