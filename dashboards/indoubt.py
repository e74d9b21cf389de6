"""Failures that put scans in doubt, as notes on the pages of instruments, benches and scans."""

from datetime import datetime
from typing import TYPE_CHECKING, Any

from speclake_dashboards.address import link
from speclake_dashboards.live import as_of_now

from speclake.api.indoubt import InDoubt, in_doubt_by_failure

if TYPE_CHECKING:
    from speclake.api import Archive


def open_failures(
    archive: "Archive", instrument: str, now: datetime | None = None
) -> list[dict[str, Any]]:
    """Failures on an instrument, up to a moment, some scans of which nobody has seen to."""
    return [
        {"text": each.sentence, "address": address(each), "programme": each.programme}
        for each in _all(archive)
        if each.instrument == instrument
        and each.waiting
        and (now is None or each.window.failed.taken_at <= now)
    ]


def about(archive: "Archive", measurement_id: str) -> list[dict[str, Any]]:
    """Failures that put a scan in doubt, and whether somebody has seen to it since."""
    return [
        {
            "text": _about(each),
            "waits": measurement_id in each.waiting,
            "address": address(each),
        }
        for each in _all(archive)
        if measurement_id in each.scans
    ]


def _about(each: InDoubt) -> str:
    window = each.window
    after = f"after its last pass on {window.since:%Y-%m-%d}" if window.since else "before any pass"
    until = f" and before its next on {window.until:%Y-%m-%d}" if window.until else ""
    return (
        f"{each.check} of {each.instrument} failed on {window.failed.taken_at:%Y-%m-%d}; "
        f"this scan was made {after}{until}, and is in doubt"
    )


def address(each: InDoubt) -> str:
    """Address of the page that looks back from a failure."""
    failed = each.window.failed
    return link(
        "look-back",
        {
            "instrument": each.instrument, "programme": each.programme, "check": each.check,
            "failed": failed.taken_at.isoformat(),
        },
    )  # fmt: skip


def _all(archive: "Archive") -> list[InDoubt]:
    return as_of_now(archive, "in doubt", lambda: in_doubt_by_failure(archive.store.catalog))
