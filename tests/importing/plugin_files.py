"""Importers written as one-file plugins, the way a lab would drop them into an archive."""

from pathlib import Path

SOUND = """
import numpy as np
from speclake.errors import MalformedFile
from speclake.importing import Confidence, Guess
from speclake.spectrum import Spectrum


class Reader:
    name = "{name}"
    version = "1"

    def sniff(self, head):
{sniff}

    def read(self, source):
{read}
"""

HONEST = """
if head.content.startswith(self.name.encode()):
    return Guess(Confidence.{confidence}, f"it begins with {{self.name}}")
return Guess(Confidence.NO, f"it does not begin with {{self.name}}")
"""

ONE_SPECTRUM = """
yield Spectrum.as_listed([400.0, 500.0], [1.5, 2.5], axis_unit="nm", unit="%T", place="1")
"""


def plugin(
    folder: Path,
    name: str,
    read: str = ONE_SPECTRUM,
    *,
    sniff: str = HONEST,
    confidence: str = "CERTAIN",
) -> Path:
    """A file with an importer of that name, which claims files that begin with its name."""
    folder.mkdir(parents=True, exist_ok=True)
    text = SOUND.format(
        name=name, read=_body(read), sniff=_body(sniff.replace("{confidence}", confidence))
    )
    path = folder / f"{name}.py"
    path.write_text(text.replace("{{", "{").replace("}}", "}"), "utf-8")
    return path


def _body(text: str) -> str:
    return "\n".join(f"        {line}" for line in text.strip().splitlines())
