"""Qualification runs on record: which of them still stand as they were made, and which lapse."""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

from pydantic import ValidationError

from speclake.archive.catalog import Catalog
from speclake.archive.rows import QualificationRow
from speclake.intake.runscans import Run, Scans
from speclake.measurement import Measurement
from speclake.specs import Outcome
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import Programme

Key = tuple[str, str, str]
"""Measurement, programme and check."""

Row = dict[str, Any]
"""A row of the catalogue's numbers of runs."""


OF_SEVERAL = ("drift", "repeatability")
"""Kinds of checks that take several scans: another scan may change their runs."""


class Versions(NamedTuple):
    """What a number was made by."""

    programme: str
    certificate: str
    engine: str


def number_id(key: Key, versions: Versions, scans: Sequence[str], number: int, salt: str) -> str:
    """Identifier of a number of a run, the same on every retry.

    Parameters
    ----------
    salt : tells a run apart that is made again as it was made once before.
    """
    said = [versions.programme, key[2], versions.certificate, versions.engine, str(number)]
    text = "\x1f".join([*said, *scans, *([salt] if salt else [])])
    return hashlib.sha256(text.encode()).hexdigest()[:32]


class KeptRuns:
    """Numbers of runs that the archive holds of some measurements, whether they count or not."""

    def __init__(self, catalog: Catalog, names: Sequence[str]) -> None:
        self._catalog = catalog
        self._rows: defaultdict[Key, list[Row]] = defaultdict(list)
        if names:
            rows = catalog.qualifications(ids=names, counting=False)
            for row in rows.iter_rows(named=True):
                key = (row["measurement_id"], row["programme"], row["check"])
                self._rows[key].append(row)

    def salt(self, key: Key) -> str:
        """By which a run that is made now is told from all that were made before it."""
        return _salt(self._rows.get(key, ()))

    def against(
        self, made: Iterable[Run], scans: Scans
    ) -> tuple[list[Run], list[QualificationRow]]:
        """Runs that are due, and what says of earlier ones that they have lapsed.

        Parameters
        ----------
        made : as the programmes read now.
        scans : as they will be known.
        """
        due = {run.key: run for run in made}
        lapsed: list[QualificationRow] = []
        for key in list(self._rows):
            last = self._last(key)
            if not last or not (key[0] in scans.change.known or last[0]["what"] in OF_SEVERAL):
                continue
            if self._stands(key, last, scans.touched[key[0]], scans):
                due.pop(key, None)
            elif key not in due or due[key].programme.instrument != last[0]["instrument"]:
                lapsed.append(_lapsed(key, last, self.salt(key)))
        return list(due.values()), lapsed

    def _last(self, key: Key) -> list[Row]:
        """The numbers of a key that count; none where it has lapsed."""
        rows = self._rows[key]
        latest = max(row["commit_number"] for row in rows)
        return [
            row
            for row in rows
            if row["commit_number"] == latest and row["outcome"] != Outcome.LAPSED.value
        ]

    def _stands(self, key: Key, last: Sequence[Row], m: Measurement, scans: Scans) -> bool:
        """Whether a run would be made of the same scans by what it was made by."""
        row = last[0]
        if (row["accessory"], row["taken_at"]) != (m.accessory, m.trusted_at):
            return False
        programme = self._kept(row["programme_version"], Programme)
        certificate = self._kept(row["certificate_version"], Certificate)
        if programme is None:
            return False
        check = next((each for each in programme.check if each.id == key[2]), None)
        run = scans.run_of(programme, check, certificate, m) if check is not None else None
        if run is None:
            return False
        names = [each.measurement_id for each in run.scans]
        versions = Versions(
            row["programme_version"], row["certificate_version"] or "", row["version"]
        )
        before = [r for r in self._rows[key] if r["commit_number"] < row["commit_number"]]
        found = number_id(key, versions, names, 0, _salt(before))
        return found in {each["qualification_id"] for each in last}

    def _kept(self, version: str | None, model: Any) -> Any:
        """Programme or certificate as a run was held against it."""
        row = self._catalog.standard(version) if version else None
        if row is None:
            return None
        try:
            return model.model_validate_json(row.content)
        except ValidationError:
            return None


def _salt(rows: Iterable[Row]) -> str:
    return str(max((row["commit_number"] for row in rows), default=""))


def _lapsed(key: Key, last: Sequence[Row], salt: str) -> QualificationRow:
    """What says that a scan is none of a check any more."""
    row = {name: last[0][name] for name in QualificationRow.__dataclass_fields__}
    text = "\x1f".join(["lapsed", *key, salt])
    nothing = dict.fromkeys(("at", "expected", "value", "error", "uncertainty", "low", "high"))
    return replace(
        QualificationRow(**(row | nothing | {"outcome": Outcome.LAPSED})),
        qualification_id=hashlib.sha256(text.encode()).hexdigest()[:32],
        reason="as it is known now, the scan is none of this check",
        due_at=None,
    )
