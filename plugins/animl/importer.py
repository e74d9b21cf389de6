"""The importer of AnIML files."""

import io
from collections.abc import Iterator
from importlib import import_module

from speclake_plugins.animl.declared import declared
from speclake_plugins.animl.prolog import NotXml, root_of
from speclake_plugins.animl.spectra import spectra_of
from speclake_plugins.animl.where import NAMESPACE, VERSION, shown

from speclake.errors import MalformedFile
from speclake.importing.interface import Confidence, Guess, Source
from speclake.importing.recognising import recognised_by
from speclake.spectrum import Spectrum


class AnimlImporter:
    """Reads the optical spectra of AnIML files (core schema 0.90).

    Series in individual, encoded and incremented value sets, sparse and by reference; samples,
    method and parameters of each step as its header.
    """

    name = "animl"
    version = "1"

    def sniff(self, head: Source) -> Guess:
        """Opinion by the root element, which must be AnIML."""
        try:
            root = root_of(io.BytesIO(head.content))
        except NotXml as error:
            return Guess(Confidence.NO, f"it is no XML with a root element ({error.args[1]})")
        if root.name != "AnIML":
            return Guess(Confidence.NO, f"its root element is {shown(root.name)}")
        if root.namespace != NAMESPACE:
            return Guess(Confidence.LIKELY, "its root element is AnIML, in another namespace")
        names = [head.format] if head.format else recognised_by(head, self.name)
        named = names[0] if len(names) == 1 else None
        return Guess(Confidence.CERTAIN, "its root element is AnIML in the core namespace", named)

    def read(self, source: Source) -> Iterator[Spectrum]:
        """Spectra of the file in file order.

        Raises
        ------
        speclake.errors.MalformedFile
            The file cannot be read without guessing, holds no spectrum of ours, or lxml is not
            installed.
        """
        says = declared(source)
        _check_root(source)
        try:
            import_module("lxml.etree")
        except ImportError as error:
            raise MalformedFile(
                source.name,
                "",
                "an AnIML file, but no library lxml to read it with",
                'it installed: pip install "speclake[animl]"',
            ) from error
        yield from spectra_of(source, says)


def _check_root(source: Source) -> None:
    try:
        root = root_of(source.open())
    except NotXml as error:
        raise MalformedFile(source.name, *error.args) from error
    expected = f"AnIML in the namespace {NAMESPACE}, version {VERSION}"
    if (root.namespace, root.name) != (NAMESPACE, "AnIML"):
        found = f"the root element {shown(root.name)} in the namespace {shown(root.namespace)}"
        raise MalformedFile(source.name, "line 1", found, expected)
    if root.version != VERSION:
        raise MalformedFile(source.name, "line 1", f"version {shown(root.version or '')}", expected)
