"""A new archive: settings to edit, and folders for formats, specifications and importers."""

from pathlib import Path

from speclake import settings as settings_module
from speclake.errors import BadSettings, SettingsProblem
from speclake.intake.standardbook import QUALIFICATION, STANDARDS

SETTINGS = """\
# Settings of this archive. Every key is explained in docs/settings.md.
name = {name}

# Time zone of scan times whose header names none. Without it such times stay text.
# time_zone = "Europe/Lisbon"

# What a part needs to be found again; a scan that lacks one is listed as unassigned.
part_needs = ["product", "lot", "sample or serial"]

# Each folder that an instrument exports into.
# [[folder]]
# name = "bench 1"
# path = "/srv/exports/bench-1"
# importer = "columns"
# format = "bench-1"
# patterns = ["by folder"]
# run_sheets = ["*.xlsx"]
# fields = {{ instrument = "bench 1", kind = "part" }}

# Names of folders and files that tell which part a scan is of.
# [[pattern]]
# name = "by folder"
# path = "{{product}}/{{lot}}/{{serial}}_s{{site:digits}}.txt"

# Scans that are not of parts.
# [[kind]]
# kind = "blank"
# field = "sample"
# matches = "100 %*"

[limits]
workers = 2
importer_time_s = 20.0
importer_memory_mb = 1024
largest_file_mb = 2048
spectra_per_file = 100000

[pages]
address = "127.0.0.1"
port = 5117
"""


def lay_out(root: Path, name: str) -> None:
    """Folders and settings of a new archive.

    Raises
    ------
    speclake.errors.BadSettings
        The folder holds an archive already.
    """
    target = root / settings_module.FILE_NAME
    if target.exists():
        problem = SettingsProblem(str(target), None, "the file", "an archive", "a new folder")
        raise BadSettings((problem,))
    for folder in ("specs", "formats", "plugins", STANDARDS, QUALIFICATION):
        (root / folder).mkdir(parents=True, exist_ok=True)
    quoted = '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'
    with target.open("x", encoding="utf-8") as stream:
        stream.write(SETTINGS.format(name=quoted))
