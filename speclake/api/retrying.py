"""Some refused files tried again, and what became of each."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from speclake.api import taking
from speclake.archive.rows import FileRow

if TYPE_CHECKING:
    from speclake.api.archive import Archive


@dataclass(frozen=True)
class Retried:
    """The last word of the ledger on a file, and the measurements that came of it."""

    row: FileRow
    measurement_ids: tuple[str, ...]


def retry_files(archive: "Archive", file_ids: Sequence[str]) -> list[Retried]:
    """What became of refused files that were tried again, one for each in their order.

    A file that was tried by somebody else meanwhile is left as it is and told all the same.

    Raises
    ------
    speclake.errors.NotFound
        The ledger has no such line.
    speclake.errors.BadSettings
        A format of the archive is wrong: nothing can be read then.
    """
    taking.retry(archive, on_demand=True, files=file_ids)
    archive.refresh()
    catalog = archive.store.catalog
    found = []
    for file_id in file_ids:
        line = catalog.file_line(file_id)
        states = catalog.file_states(line.folder, line.path)
        same = [state for state in states if state.sha256 == line.sha256]
        ids = {state.file_id for state in same}
        held = catalog.from_path(line.folder, [line.path])
        found.append(Retried(same[-1], tuple(m.measurement_id for m in held if m.file_id in ids)))
    return found
