"""Where a row lies now: what the catalogue knows of it, and the file and position that follow."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Place:
    """Where a row of a table stands.

    Parameters
    ----------
    commit : number of the plain commit that added the row; never changes.
    row : position among the rows that this commit added to the table, from 0; never changes.
    batch : number of the commit whose batch holds the row now: `commit` itself, or the last
        commit that replaced it (directly or through others).
    """

    commit: int
    row: int
    batch: int


class Catalogue(Protocol):
    """What the store asks of the catalogue, beside what `prepare` does with it."""

    @property
    def number(self) -> int:
        """Number of the last commit that it shows, 0 before the first."""

    def refresh(self) -> None:
        """Show everything that is committed now.

        Where a batch of the tail has been cleaned away meanwhile (FileNotFoundError), the rows
        are in the batch of the commit that replaced it.
        """

    def places(self, table: str, ids: Sequence[str]) -> dict[str, Place]:
        """Place of each row that is known, the first where a row was committed twice.

        `table` is ``spectra`` (by measurement_id), ``derived`` (by derived_id), ``axes`` (by
        axis_id) or ``originals`` (by sha256; the place of the row of ``files`` that holds it).
        """

    def rebuild(self) -> int | None:
        """Number of the last commit that is shown, once all is made anew from the chain alone.

        None for an empty chain.
        """

    def close(self) -> None:
        """Let go of every file."""
