"""Fuzzing of an importer, guided by what its code does, for as long as one likes.

``python -m tests.fuzz.run jcamp --minutes 10`` needs the package ``atheris``. Each set of formats
gets an equal share of the time, in a process of its own. What breaks the contract is written to
``tests/fuzz/found/IMPORTER/`` and is from then on a seed of the ordinary tests.
"""

import argparse
import subprocess
import sys
import tempfile
from functools import partial
from pathlib import Path

# the importers and all that they use are imported late, so that their code can be watched


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("importer")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--case", type=int, help="run this one case in this process")
    asked = parser.parse_args()
    if asked.case is not None:
        _fuzz(asked.importer, asked.case, asked.minutes)
        return
    from tests.fuzz.seeds import cases

    number = len(cases(asked.importer))
    failed = 0
    for case in range(number):
        words = [sys.executable, "-m", "tests.fuzz.run", asked.importer, "--case", str(case)]
        failed += subprocess.call([*words, "--minutes", str(asked.minutes / number)]) != 0
    sys.exit(1 if failed else 0)


def _fuzz(name: str, number: int, minutes: float) -> None:
    import atheris

    with atheris.instrument_imports(include=["speclake_plugins", "speclake.importing"]):
        from tests.fuzz.seeds import HERE, cases
        from tests.fuzz.target import MEMORY_MB, TIME_S, accepts, importer_named

        importer = importer_named(name)
    case = cases(name)[number]
    found = HERE / "found" / name
    found.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as corpus:
        for place, content in enumerate(case.seeds):
            (Path(corpus) / str(place)).write_bytes(content)
        options = [
            f"-max_total_time={max(1, round(minutes * 60))}", f"-rss_limit_mb={MEMORY_MB}",
            f"-timeout={TIME_S:g}", f"-artifact_prefix={found}/", "-print_final_stats=1",
            "-max_len=65536", corpus,
        ]  # fmt: skip
        print(f"{case.name}: {len(case.seeds)} seeds", flush=True)
        atheris.Setup([sys.argv[0], *options], partial(accepts, importer, case.empty))
        atheris.Fuzz()


if __name__ == "__main__":
    main()
