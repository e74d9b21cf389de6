"""How findings are laid out on the command line."""

from datetime import UTC, datetime

from speclake.cli.findinglines import WIDTH, finding_lines

WHY = "the check of the wavelengths failed, " * 6


def row(name: str, **known: object) -> dict[str, object]:
    return {
        "measurement_id": name, "trusted_at": datetime(2026, 5, 4, 8, tzinfo=UTC), "lot": "L1",
        "check": "instrument unfit", "severity": "doubt", "text": WHY, "advice": "check again",
        **known,
    }  # fmt: skip


def test_scans_that_share_a_reason_stand_above_it_once() -> None:
    rows = [row("a", serial="7"), row("b", text="a spike", check="spike"), row("c", sample="W")]
    lines = list(finding_lines(rows, UTC))
    assert lines[0] == "instrument unfit (doubt), on 2 scans"
    assert lines[1] == "  a  2026-05-04 08:00 UTC  lot L1  serial 7"
    assert lines[2] == "  c  2026-05-04 08:00 UTC  lot L1            sample W"
    text = lines[3 : lines.index("")]
    assert " ".join(line.strip() for line in text) == f"{WHY.strip()} What to do: check again"
    assert max(map(len, text)) <= WIDTH
    assert lines[lines.index("") + 1] == "spike (doubt)"


def test_no_finding_is_no_line() -> None:
    assert list(finding_lines([], UTC)) == []
