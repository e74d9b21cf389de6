"""The picture of a verdict: what it shows, composed without a screen, and drawn as SVG text."""

from speclake.judging.pictures.composing import picture_of
from speclake.judging.pictures.scene import Picture
from speclake.judging.pictures.svg import svg_of

__all__ = ["Picture", "picture_of", "svg_of"]
