"""Drafts of formats for unknown text exports; every assumption says what speaks for it."""

from speclake.importing.drafting.answers import answer_of
from speclake.importing.drafting.proposal import Draft, draft, with_answers
from speclake.importing.drafting.sheet import Assumption, Question, Value

__all__ = ["Assumption", "Draft", "Question", "Value", "answer_of", "draft", "with_answers"]
