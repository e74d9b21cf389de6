"""AnIML, the open XML of ASTM subcommittee E13.15 for analytical data, read strictly."""

from speclake_plugins.animl.importer import AnimlImporter

__all__ = ["AnimlImporter"]
