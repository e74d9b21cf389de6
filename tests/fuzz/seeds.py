"""What the fuzzing of the importers begins with: their samples, small seed files, and old finds."""

import tomllib
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from speclake.importing import Source
from tests.contracts.samples import SAMPLES

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Case:
    """Files that are read with the same formats; `empty` is their `Source` without any bytes."""

    importer: str
    name: str
    empty: Source
    seeds: tuple[bytes, ...]


def cases(importer: str) -> tuple[Case, ...]:
    """Cases of an importer, one for each set of formats.

    Beside its samples these are the files ``seeds/IMPORTER/*`` and ``found/IMPORTER/*``; one with
    a neighbour of the same name and the ending ``.toml`` is read with that as its format.
    """
    gathered: defaultdict[str, list[bytes]] = defaultdict(list)
    sources: dict[str, Source] = {}
    for source in _sources(importer):
        key = repr((source.formats, source.format))
        sources.setdefault(key, replace(source, held=b""))
        gathered[key].append(source.content)
    return tuple(
        Case(importer, f"{importer} {number}", sources[key], tuple(dict.fromkeys(contents)))
        for number, (key, contents) in enumerate(gathered.items(), 1)
    )


def _sources(importer: str) -> list[Source]:
    found = [sample.source for sample in SAMPLES[importer]]
    for folder in (HERE / "seeds" / importer, HERE / "found" / importer):
        files = sorted(folder.iterdir()) if folder.is_dir() else []
        found += [_source(file) for file in files if file.suffix != ".toml"]
    return found


def _source(file: Path) -> Source:
    described = file.with_suffix(".toml")
    formats: Mapping[str, Mapping[str, Any]] = {}
    if described.exists():
        formats = {"seed": tomllib.loads(described.read_text("utf-8"))}
    return Source(file.name, file.read_bytes(), formats, "seed" if formats else None)
