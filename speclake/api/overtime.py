"""The part of an `Archive` about its specifications over time."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from speclake.api import revisions, whatif
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
