"""What an importer is held to on any bytes: sound spectra or a refusal, nothing else."""

import random
from collections.abc import Iterator, Sequence
from dataclasses import replace

from speclake.errors import MalformedFile
from speclake.importing import Importer, Source, load, read_checked
from speclake.importing.interface import HEAD_BYTES
from speclake.importing.registry import guess_problem
from speclake.testing import hostile_variants
from tests.fuzz.seeds import Case

MEMORY_MB = 500
TIME_S = 10.0


def importer_named(name: str) -> Importer:
    """The importer itself."""
    return load(only={name}).ready[name]


def accepts(importer: Importer, empty: Source, content: bytes) -> bool:
    """Whether the importer reads these bytes; False where it refuses them.

    Raises
    ------
    speclake.errors.ImporterFailed
        It did neither: it raised something else, or gave what is no sound spectrum.
    AssertionError
        Its `sniff` gave no sound answer.
    """
    source = replace(empty, held=content)
    problem = guess_problem(importer.sniff(replace(source, held=content[:HEAD_BYTES])))
    assert not problem, problem
    try:
        read_checked(importer, source)
    except MalformedFile as refusal:
        assert refusal.file == source.name
        assert refusal.found
        assert refusal.expected
        return False
    return True


def mutations(case: Case, seed: int, number: int) -> Iterator[bytes]:
    """The seeds, and `number` relatives of them, the same ones for the same `seed`."""
    yield from case.seeds
    chance = random.Random(seed)  # reproducible on purpose
    each = number // len(case.seeds) + 1
    for content in case.seeds:
        for variant in hostile_variants(content, chance.randrange(2**32), each):
            yield variant if chance.random() < 0.7 else _crossed(variant, case.seeds, chance)


def _crossed(one: bytes, seeds: Sequence[bytes], chance: random.Random) -> bytes:
    """A beginning of one file and an end of another, or a stretch of it many times over."""
    other = chance.choice(seeds)
    at, start = chance.randrange(len(one) + 1), chance.randrange(len(other) + 1)
    if chance.random() < 0.5:
        return one[:at] + other[start:]
    stretch = other[start : start + chance.randrange(1, 200)]
    return one[:at] + stretch * chance.randrange(1, 300) + one[at:]
