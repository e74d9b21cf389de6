"""The border of a page: an error that reaches it becomes one sentence for the visitor."""

import logging
from collections.abc import Callable
from typing import TypeVar

from markupsafe import Markup
from speclake_dashboards.theme import render

from speclake.errors import SpeclakeError

log = logging.getLogger(__name__)

OUR_FAULT = "This page failed through a mistake in the program. The log of the service tells more."

Result = TypeVar("Result")


def caught(action: Callable[[], Result], failed: Callable[[Markup], Result]) -> Result:
    """Result of an action, or what stands for it with the message of the error that it met."""
    try:
        return action()
    except SpeclakeError as error:
        return failed(render("message.html", text=str(error)))
    except Exception:  # nothing may leave the page as a traceback; the log gets it
        log.exception("a page failed")
        return failed(render("message.html", text=OUR_FAULT))
