"""The demo's exports are the same everywhere and tell the story that its README tells."""

import hashlib
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from speclake_demo import benches, fitwork, generate, mishaps, parts, regular, turntable
from speclake_demo.scans import Drop, Scan

from speclake.measurement import FIELDS

BYTES_OF_SEED_1 = "1b42e844ec92700bf5f02b4893f5eeebe820049368c6adc6a1f27f61064a40a5"


@pytest.fixture(scope="module")
def drops() -> list[Drop]:
    return list(generate.exports())


def final_states(drops: list[Drop]) -> dict[str, Drop]:
    return {drop.path: drop for drop in drops}


def of_case(drops: list[Drop], case: str) -> list[Drop]:
    return [drop for drop in drops if drop.case == case]


def scans_of(drops: list[Drop], **fields: str) -> list[Scan]:
    """Scans of the ordinary work with these fields, each once."""
    return [
        scan
        for drop in final_states(drops).values()
        for scan in drop.scans
        if drop.case in ("ordinary", "growing", "exported again")
        and fields.items() <= scan.fields.items()
    ]


def test_bytes_are_the_same_on_every_machine(drops: list[Drop]) -> None:
    digest = hashlib.sha256()
    for drop in drops:
        digest.update(f"{drop.path}|{drop.modified.isoformat()}|".encode())
        digest.update(drop.content)
    assert digest.hexdigest() == BYTES_OF_SEED_1


def test_no_value_lies_where_another_machine_could_round_it_otherwise(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Libraries differ in the last bits of sine and exponential, about 1e-13 of a value here.

    A printed digit can flip only where the value lies that near to half a step.
    """
    nearest: list[float] = []
    to_steps = benches.to_steps

    def watched(scaled: np.ndarray) -> np.ndarray:
        nearest.append(float(np.min(np.abs(np.abs(scaled - np.floor(scaled)) - 0.5))))
        return to_steps(scaled)

    monkeypatch.setattr(benches, "to_steps", watched)
    count = sum(len(drop.scans) for drop in generate.exports())
    assert len(nearest) >= count / 2
    assert min(nearest) > 1e-8


def test_chance_has_the_spread_that_it_claims() -> None:
    """A mean of n normal numbers strays by 1/√n, their variance by √(2/n): five of each."""
    many = benches.chances(1, "spread", 40_000)
    assert abs(many.mean()) < 5 / 200
    assert abs(many.var() - 1) < 5 * (2 / 40_000) ** 0.5
    assert np.array_equal(many[:10], benches.chances(1, "spread", 10))
    assert not np.array_equal(many[:10], benches.chances(2, "spread", 10))


def test_ten_weeks_of_some_hundreds_of_scans_in_time_order(drops: list[Drop]) -> None:
    times = [drop.modified for drop in drops]
    assert times == sorted(times)
    assert all(time.tzinfo is not None for time in times)
    assert timedelta(weeks=9) < times[-1] - times[0] < timedelta(weeks=10)
    assert 300 <= generate.summary().scans <= 500


def test_clocks_of_the_benches_jump_to_summer_time(drops: list[Drop]) -> None:
    assert [s.scanned.hour for s in scans_of(drops, kind="zero line")] == [7] * 4 + [6] * 6


def test_states_that_replace_are_marked(drops: list[Drop]) -> None:
    seen: set[str] = set()
    for drop in drops:
        assert drop.replaces == (drop.path in seen), drop.path
        seen.add(drop.path)


def test_growing_files_only_grow(drops: list[Drop]) -> None:
    states: dict[str, list[bytes]] = {}
    for drop in of_case(drops, "growing"):
        states.setdefault(drop.path, []).append(drop.content)
    assert len(states) == 6
    for contents in states.values():
        assert len(contents) == 3
        assert all(b.startswith(a) and len(b) > len(a) for a, b in pairwise(contents))


def test_a_growing_file_is_once_seen_within_a_number(drops: list[Drop]) -> None:
    for drop in of_case(drops, "growing"):
        is_whole = drop.content.endswith(b"\n")
        assert is_whole == (len(drop.scans) != 9)
        assert drop.content.count(b"--- next site ---") == len(drop.scans) + (not is_whole)


def test_fields_have_names_that_the_archive_knows(drops: list[Drop]) -> None:
    assert {name for d in drops for s in d.scans for name in s.fields} <= set(FIELDS)


def test_names_are_plain_and_of_nobody(drops: list[Drop]) -> None:
    plain = {
        "instrument": {"bench A", "bench B", "bench C", "bench D", "bench E"},
        "operator": {"op 1", "op 2", "op 3", "op 4"},
        "customer": {"customer 1"},
        "product": {
            regular.WINDOW,
            regular.PANEL,
            regular.WAFER,
            turntable.FILTER,
            turntable.SPLITTER,
            fitwork.DARK_FILTER,
        },
    }
    for name, allowed in plain.items():
        found = {s.fields[name] for d in drops for s in d.scans if name in s.fields}
        assert found == allowed


def test_texts_say_that_they_are_invented() -> None:
    texts = generate.archive_files()
    assert {"speclake.toml", "formats/tab-export.toml"} <= set(texts)
    for path, text in texts.items():
        assert "invented" in text, path


def test_a_path_never_shows_half_a_file(tmp_path: Path, drops: list[Drop]) -> None:
    drop = drops[0]
    path = generate.put(drop, tmp_path)
    assert path == tmp_path / drop.path
    assert path.read_bytes() == drop.content
    assert datetime.fromtimestamp(path.stat().st_mtime, UTC) == drop.modified
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_write_leaves_the_last_state_of_every_file(tmp_path: Path, drops: list[Drop]) -> None:
    written = generate.write(tmp_path)
    assert len(written) == len(drops)
    on_disk = {p.relative_to(tmp_path).as_posix(): p for p in tmp_path.rglob("*") if p.is_file()}
    expected = final_states(drops)
    assert set(on_disk) == set(expected)
    for name, path in on_disk.items():
        assert path.read_bytes() == expected[name].content


def test_write_stops_at_a_time(tmp_path: Path, drops: list[Drop]) -> None:
    until = drops[40].modified
    written = generate.write(tmp_path, upto=until)
    assert [d.path for d in written] == [d.path for d in drops if d.modified <= until]


def test_another_seed_gives_other_values_and_the_same_files(drops: list[Drop]) -> None:
    others = list(generate.exports(seed=2))
    assert [d.path for d in others] == [d.path for d in drops]
    same = [a.path for a, b in zip(drops, others, strict=True) if a.content == b.content]
    assert same == [
        "bench_c/run sheet W2601.csv",
        "bench_c/residual gas.jdx",
        "bench_d/P2602/P2602-01_s10.csv",
        "bench_b/W2601-03 copy.txt",
        "bench_c/run sheet W2602.csv",
    ]


def test_generator_needs_nothing_of_the_archive() -> None:
    code = (
        "import sys, speclake_demo.generate as g; next(g.exports());"
        "print([m for m in sys.modules if m.split('.')[0] == 'speclake'])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_export_saved_again_has_the_same_scan_time_and_name_and_other_bytes(
    drops: list[Drop],
) -> None:
    (again,) = of_case(drops, "exported again")
    (first,) = [d for d in drops if d.path == again.path and d is not again]
    assert first.scans[0].scanned == again.scans[0].scanned
    assert first.scans[0].fields == again.scans[0].fields
    assert np.array_equal(first.scans[0].values, again.scans[0].values)
    assert first.content != again.content


def test_name_used_again_carries_another_scan(drops: list[Drop]) -> None:
    (again,) = of_case(drops, "name used again")
    (first,) = [d for d in drops if d.path == again.path and d is not again]
    assert again.scans[0].scanned - first.scans[0].scanned > timedelta(weeks=3)
    assert not np.array_equal(first.scans[0].values, again.scans[0].values)


def test_two_sites_share_their_bytes(drops: list[Drop]) -> None:
    (copy,) = of_case(drops, "same bytes under another site")
    original = final_states(drops)[copy.path.replace("_s6", "_s5")]
    assert copy.content == original.content
    assert copy.scans[0].fields["site"] == "6"
    assert original.scans[0].fields["site"] == "5"


def test_one_clock_is_wrong(drops: list[Drop]) -> None:
    late = [d for d in drops for s in d.scans if s.scanned > d.modified]
    assert [d.case for d in late] == ["scanned after it was saved"]


def test_one_panel_lacks_a_site_and_one_scan_has_no_lot(drops: list[Drop]) -> None:
    sites: dict[str, set[str]] = {}
    for scan in scans_of(drops, product=regular.PANEL):
        if "serial" in scan.fields:
            sites.setdefault(scan.fields["serial"], set()).add(scan.fields["site"])
    assert len(sites) == 12
    short = {serial: set("123456789") - found for serial, found in sites.items() if len(found) < 9}
    assert short == {regular.SHORT_PANEL: {"9"}, mishaps.SAME_BYTES_PANEL: {"6"}}
    (nameless,) = of_case(drops, "no lot anywhere")
    assert not {"lot", "serial", "sample"} & set(nameless.scans[0].fields)
    assert generate.summary().incomplete == tuple(sorted(short))


def test_every_wafer_has_both_segments_at_thirteen_sites(drops: list[Drop]) -> None:
    for segment, count in (("deep UV", 6 * 13), ("visible", 6 * 13)):
        found = scans_of(drops, product=regular.WAFER, segment=segment)
        assert len(found) == count
        assert {s.fields["site"] for s in found} == set(parts.wafer_sites_mm())


def test_cut_short_file_ends_within_a_number(drops: list[Drop]) -> None:
    (cut,) = of_case(drops, "cut short")
    assert cut.content.rsplit(b"\n", 1)[1] == b"561\t99."


def test_summary_counts_what_is_there(drops: list[Drop]) -> None:
    summary = generate.summary()
    assert summary.states == len(drops)
    assert summary.files == len({d.path for d in drops})
    assert len(summary.refused) == 6
    # Two paths stand in two cases: the name used again and the scan exported again.
    assert sum(summary.cases.values()) == summary.files + 2
    assert sum(summary.scans_of_kind.values()) == summary.scans
    single = sum(len(d.scans) for d in final_states(drops).values())
    # Lost in the last states: the first scan of the reused name. Not counted: the copied site.
    assert summary.scans == single + 1 - 1
