"""The smallest whole importer: named blocks of points, each with its number of points and an end.

PAIRS
sample A-1, 3 points, %T
400 91.25
401 91.5
402 91.125
end
"""

import re
from collections.abc import Iterator

from speclake.errors import MalformedFile
from speclake.importing import Confidence, Guess, Source
from speclake.spectrum import Spectrum

FIRST_LINE = "PAIRS"
_TITLE = re.compile(r"sample ([A-Z0-9-]+), ([0-9]+) points, %T")
_POINT = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,9})?) (-?[0-9]{1,9}(?:\.[0-9]{1,9})?)")


class PairsImporter:
    """Reader of the form above. It asks for every byte that a writer would have put there."""

    name = "pairs"
    version = "1"

    def sniff(self, head: Source) -> Guess:
        """Certain of files with the first line of the form."""
        if head.content.startswith(FIRST_LINE.encode() + b"\n"):
            return Guess(Confidence.CERTAIN, f"the first line is {FIRST_LINE}")
        return Guess(Confidence.NO, f"the first line is not {FIRST_LINE}")

    def read(self, source: Source) -> Iterator[Spectrum]:
        """Spectra of the file, one a block."""
        lines = self.lines(source)
        if lines[:1] != [FIRST_LINE]:
            raise MalformedFile(source.name, "line 1", repr(lines[:1]), FIRST_LINE)
        at = 1
        while at < len(lines):
            spectrum, at = self.block(source, lines, at)
            yield spectrum
        if at == 1:
            raise MalformedFile(source.name, "line 2", "the end of the file", "a sample")

    def lines(self, source: Source) -> list[str]:
        """Lines of a file that ends with a whole one."""
        try:
            text = source.content.decode("ascii")
        except UnicodeDecodeError as error:
            place = f"byte {error.start + 1}"
            raise MalformedFile(source.name, place, "no ASCII", "ASCII") from error
        if not text.endswith("\n"):
            raise MalformedFile(source.name, "last line", "no line end", "a line end")
        return text[:-1].split("\n")

    def block(self, source: Source, lines: list[str], at: int) -> tuple[Spectrum, int]:
        """Spectrum of the block that begins at a line, and the number of the line after it."""
        title = self.match(_TITLE, source, lines, at, "a sample and its number of points")
        stop = at + 1 + int(title[2])
        points = [
            self.match(_POINT, source, lines, row, "two numbers") for row in range(at + 1, stop)
        ]
        self.match(re.compile("end"), source, lines, stop, "end")
        try:
            spectrum = Spectrum.as_listed(
                [float(point[1]) for point in points],
                [float(point[2]) for point in points],
                axis_unit="nm",
                unit="%T",
                header={"sample": title[1]},
                fields={"sample": title[1]},
                place=f"line {at + 1}",
            )
        except ValueError as error:
            place = f"block at line {at + 1}"
            raise MalformedFile(source.name, place, str(error), "rising or falling") from error
        return spectrum, stop + 1

    def match(
        self, form: re.Pattern[str], source: Source, lines: list[str], at: int, expected: str
    ) -> re.Match[str]:
        """Match of a whole line."""
        found = lines[at] if at < len(lines) else "the end of the file"
        match = form.fullmatch(found)
        if match is None:
            raise MalformedFile(source.name, f"line {at + 1}", repr(found), expected)
        return match


SAMPLE = Source(
    "monday/run7.txt",
    b"PAIRS\n"
    b"sample A-1, 3 points, %T\n400 91.25\n401 91.5\n402 -0.125\nend\n"
    b"sample A-2, 2 points, %T\n700 0.5\n699.5 12\nend\n",
)
