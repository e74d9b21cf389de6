"""What the checks say today of scans that the archive holds; nothing is written."""

from collections.abc import Sequence

from speclake.api import events
from speclake.archive.lake import Lake
from speclake.fitness import Examined
from speclake.intake.specchoice import SpecChoice
from speclake.intake.verdicts import CHUNK, Judge


def examine(store: Lake, step: Judge, ids: Sequence[str]) -> dict[str, Examined]:
    """Findings and figures of scans as the checks and the settings give them today.

    What was found when a scan was taken in stays on record, whatever this says.

    Raises
    ------
    speclake.errors.NotFound
        There is no such measurement.
    """
    store.refresh()
    catalog = store.catalog
    events.check_known(catalog, ids)
    wanted = list(dict.fromkeys(ids))
    found: dict[str, Examined] = {}
    for start in range(0, len(wanted), CHUNK):
        chunk = wanted[start : start + CHUNK]
        measurements = catalog.measurements(chunk)
        choice = SpecChoice(step.book, catalog, measurements)
        specifications = {m.measurement_id: choice.for_measurement(m) for m in measurements}
        found |= step.examiner.again(measurements, store.spectra(chunk), catalog, specifications)
    return {name: found[name] for name in wanted}
