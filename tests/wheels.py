"""Wheels, built and installed offline with what the running environment holds."""

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from shutil import copytree, ignore_patterns

ROOT = Path(__file__).parents[1]
FOLDERS = {
    "speclake": "speclake",
    "speclake_plugins": "plugins",
    "speclake_dashboards": "dashboards",
    "speclake_demo": "demo_archive",
}
"""Each package and the folder that it lives in."""


@dataclass(frozen=True)
class Built:
    """What a build made, and all that it said."""

    said: str
    sdist: Path
    wheel: Path


def run(*words: str | Path, cwd: Path) -> str:
    """Everything that a program prints; it must end well."""
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "PIP_"))}
    done = subprocess.run(
        list(map(str, words)),
        cwd=cwd,
        env=clean | {"PIP_DISABLE_PIP_VERSION_CHECK": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    return done.stdout


def python(*words: str | Path, cwd: Path) -> str:
    """Everything that a child of the running Python prints; it must end well."""
    return run(sys.executable, *words, cwd=cwd)


def build(source: Path, out: Path) -> Built:
    """Source distribution of a folder, and the wheel made from it."""
    said = python("-m", "build", "--no-isolation", "--outdir", out, source, cwd=source)
    (sdist,), (wheel,) = out.glob("*.tar.gz"), out.glob("*.whl")
    return Built(said, sdist, wheel)


def build_project(source: Path, out: Path) -> Built:
    """Source distribution and wheel of a copy of this project, which is made in `source`."""
    # a copy: what an earlier build left in the tree would be shipped again
    leave_out = ignore_patterns("__pycache__", "*.pyc", ".*")
    for folder in (*FOLDERS.values(), "docs", "tests"):
        copytree(ROOT / folder, source / folder, ignore=leave_out)
    for file in ROOT.iterdir():
        if file.is_file():
            (source / file.name).write_bytes(file.read_bytes())
    return build(source, out)
