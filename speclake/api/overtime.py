"""The part of an `Archive` about its specifications over time."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from speclake.api import packs, revisions, validating, whatif
from speclake.api.parts import ids_of
from speclake.archive.lake import Lake
from speclake.intake.verdicts import Judge
from speclake.specs.differences import Difference, differences

if TYPE_CHECKING:
    from speclake.specs import Specification


class OverTime:
    """What an `Archive` tells of revisions, and what another one would change."""

    store: Lake
    judge_step: Judge

    def revisions(self, name: str | None = None) -> list[revisions.Revision]:
        """Every version of specifications that is written or was used, each with its standing.

        Raises
        ------
        speclake.errors.NotFound
            There is none of the name.
        """
        return revisions.revisions(self.store.catalog, self.judge_step.book, name)

    def specification(self, which: str) -> "Specification":
        """Specification by its name, by a file, or by the beginning of a version.

        Raises
        ------
        speclake.errors.NotFound, speclake.errors.BadSettings
            There is none, or it cannot be read.
        """
        return revisions.specification_named(self.store.catalog, self.judge_step.book, which)

    def differences(self, before: str, after: str) -> tuple[Difference, ...]:
        """What one specification says otherwise than another; each named as for `specification`."""
        return differences(self.specification(before), self.specification(after))

    def what_if(self, which: str, ids: Sequence[str] | None = None, **query: Any) -> whatif.WhatIf:
        """What past measurements would come to under a specification; nothing is written.

        Parameters
        ----------
        which : the specification, as for `specification`.
        ids : the measurements; None takes those that fit the query and are judged by a
            specification of this name, or would be.
        """
        chosen = self.specification(which)
        return whatif.what_if(self.store, self.judge_step, chosen, ids, query)

    def keep_validation(
        self, name: str, ids: Sequence[str] | None = None, *, who: str, why: str, **query: Any
    ) -> packs.Pack:
        """Measurements kept with their verdicts, to be judged again after an upgrade.

        Raises
        ------
        speclake.api.events.NotAllowed, speclake.errors.NotFound
            As for `speclake.api.packs.keep`.
        """
        chosen = list(ids) if ids is not None else ids_of(self.store.catalog, **query)
        return packs.keep(self.store, name, chosen, who=who, why=why)

    def validation_packs(self) -> list[packs.Listed]:
        """Every validation pack that was kept, with its last validation."""
        return packs.listed(self.store)

    def validate(self, name: str, *, who: str, why: str) -> validating.Validation:
        """What of a validation pack comes out otherwise today; put on record.

        Raises
        ------
        speclake.api.events.NotAllowed, speclake.errors.NotFound, speclake.errors.ArchiveDamaged
            As for `speclake.api.validating.validate`.
        """
        return validating.validate(self.store, self.judge_step, name, who=who, why=why)
