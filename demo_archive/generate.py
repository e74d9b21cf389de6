"""The demo's files: every export in the order in which it was saved, and the archive's own texts.

Everything is invented: house, products, films, benches, parts, people's marks and defects.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from os import utime
from pathlib import Path

from speclake_demo import fitwork, mishaps, people, regular, turntable
from speclake_demo.scans import Case, Drop

_REPLACED_BY_MISHAP = frozenset({f"bench_d/P2603/{mishaps.SAME_BYTES_PANEL}_s6.csv"})

_ORDINARY = (
    regular.mondays,
    regular.windows,
    regular.cover_panels,
    regular.reference_mirrors,
    regular.wafer_maps,
    regular.deep_uv_wafers,
    regular.run_sheets,
    turntable.edge_filters,
    turntable.beam_splitters,
    turntable.rare_earth_glass,
    turntable.comparison_pieces,
    fitwork.holmium_glass,
    fitwork.grey_filter,
    fitwork.check_pieces,
    fitwork.comparison_pieces,
    fitwork.dark_filters,
)


def exports(seed: int = 1) -> Iterator[Drop]:
    """Every state of every export, in the order in which it was saved.

    Where `Drop.replaces` is true, the earlier state of the same path has to be taken in before
    this one is put in its place; else it is lost, as it would be in a lab.
    """
    ordinary = [
        drop
        for source in _ORDINARY
        for drop in source(seed)
        if drop.path not in _REPLACED_BY_MISHAP
    ]
    special = [*mishaps.refused(seed), *mishaps.second_looks(seed)]
    yield from sorted(ordinary + special, key=lambda drop: (drop.modified, drop.path))


def put(drop: Drop, folder: Path) -> Path:
    """Path of the export after it stands complete under its name, with its own time of change.

    It is written beside under a name that ends in ``.part``, so that a watcher never sees half.
    """
    target = folder / drop.path
    target.parent.mkdir(parents=True, exist_ok=True)
    beside = target.with_name(target.name + ".part")
    beside.write_bytes(drop.content)
    seconds = drop.modified.timestamp()
    utime(beside, (seconds, seconds))
    return beside.replace(target)


def write(folder: Path, *, seed: int = 1, upto: datetime | None = None) -> list[Drop]:
    """Drops written into `folder`, those saved after `upto` left out.

    Of a file with several states only the last one stays; `exports` and `put` give each of them.
    """
    drops = [drop for drop in exports(seed) if upto is None or drop.modified <= upto]
    for drop in drops:
        put(drop, folder)
    return drops


FOLDERS = ("budgets", "floors", "formats", "qualification", "specs", "standards")


def archive_files() -> dict[str, str]:
    """Texts of the archive by path below it: settings, and what its folders hold."""
    root = files("speclake_demo")
    entries = {
        f"{folder}/{entry.name}": entry
        for folder in FOLDERS
        for entry in sorted((root / folder).iterdir(), key=lambda entry: entry.name)
    }
    entries["speclake.toml"] = root / "speclake.toml"
    return {
        path: entry.read_text("utf-8")
        for path, entry in entries.items()
        if path.endswith((".toml", ".csv"))
    }


@dataclass(frozen=True)
class Summary:
    """What the demo of seed 1 contains, to compare with what an archive made of it.

    Parameters
    ----------
    files, states : distinct paths, and states of them: a growing file has several. Run sheets
        are counted among them.
    scans : distinct scans that a right reader finds; a second export of one and a second site
        under which its bytes were saved are not counted again.
    scans_of_kind : the same by kind.
    cases : files by what is special about them.
    refused : files that no reader may accept.
    failing, undecided : serials of parts (witness pieces left out) by the name of the
        specification: beyond a limit, or nearer to it than the uncertainty.
    conceded : serials of parts that failed and that a person accepts.
    counted_alone : serials of parts of which a person said which of two scans counts.
    incomplete : serials of parts that lack a site, or whose site is in dispute.
    first_run_beyond_control_limit, first_run_beyond_spec_limit : coating runs of the drift.
    """

    files: int
    states: int
    scans: int
    scans_of_kind: Mapping[str, int]
    cases: Mapping[Case, int]
    refused: tuple[str, ...]
    failing: Mapping[str, tuple[str, ...]]
    undecided: Mapping[str, tuple[str, ...]]
    conceded: tuple[str, ...]
    counted_alone: tuple[str, ...]
    incomplete: tuple[str, ...]
    first_run_beyond_control_limit: str
    first_run_beyond_spec_limit: str


def summary() -> Summary:
    """What the demo of seed 1 contains; see `Summary`."""
    drops = list(exports())
    cases: dict[Case, set[str]] = {}
    for drop in drops:
        cases.setdefault(drop.case, set()).add(drop.path)
    scans = {
        (drop.path, scan.scanned): scan.fields["kind"]
        for drop in drops
        if drop.case not in ("exported again", "same bytes under another site")
        for scan in drop.scans
    }
    return Summary(
        files=len({drop.path for drop in drops}),
        states=len(drops),
        scans=len(scans),
        scans_of_kind=dict(Counter(scans.values())),
        cases={case: len(paths) for case, paths in cases.items()},
        refused=tuple(sorted({drop.path for drop in drops if drop.is_refused})),
        failing={
            "camera window": ("CW129-01", "CW130-01", "CW130-02"),
            "camera window, in-house": tuple(
                f"CW{run}-{number:02d}" for run in range(124, 131) for number in (1, 2)
            ),
            "cover panel": (regular.THICK_CORNERS_PANEL,),
            "deep-UV wafer": (regular.THIN_EDGE_WAFER,),
            fitwork.DARK_FILTER: (),
            turntable.FILTER: (turntable.DULL_FILTER, turntable.LATE_EDGE_FILTER),
            turntable.SPLITTER: (turntable.ABSORBING_SPLITTER,),
        },
        undecided={"camera window": ("CW129-02",)},
        conceded=(people.CONCEDED.serial,),
        counted_alone=(people.COUNTED.serial,),
        incomplete=(mishaps.SAME_BYTES_PANEL, regular.SHORT_PANEL),
        first_run_beyond_control_limit="run 117",
        first_run_beyond_spec_limit="run 129",
    )
