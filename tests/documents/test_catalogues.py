"""Every text that people may be shown has its words in every language, and no catalogue holds anything else."""

import re

import pytest

from cotterline.documents.language import LANGUAGES, SOURCE
from tests.documents.catalogue import catalogue, lacking, texts

OTHERS = [language for language in LANGUAGES if language != SOURCE]
COGNATES = {"de": {"35 mm x 1 mm", "47 mm x 1 mm", "Mid", "T47", "mm"}}
"""Texts that are the same in a language."""


def _placeholders(text: str) -> set[str]:
    return set(re.findall(r"{(\w+)}", text))


def test_the_texts_are_found_wherever_they_are_written() -> None:
    found = texts()
    assert "about {minutes} min" in found, "said in code"
    assert "Once the crank is on" in found, "in a template"
    assert "unscrews CLOCKWISE" in found, "in a table of words"
    assert "Keep fingers out of chain, rings and press tools: they pinch." in found, "in a data file"


@pytest.mark.parametrize("language", OTHERS)
def test_a_catalogue_has_every_text(language: str) -> None:
    assert lacking(language) == []


@pytest.mark.parametrize("language", OTHERS)
def test_a_catalogue_has_nothing_that_is_shown_nowhere(language: str) -> None:
    assert sorted({str(message.id) for message in catalogue(language) if message.id} - texts()) == []
    assert not catalogue(language).obsolete


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_is_sure_and_keeps_what_is_put_into_it(language: str) -> None:
    for message in catalogue(language):
        assert not message.fuzzy or not message.id, message.id
        assert _placeholders(str(message.id)) == _placeholders(str(message.string)), message.id


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_is_none_only_where_the_words_are_the_same(language: str) -> None:
    same = {str(message.id) for message in catalogue(language) if message.id and message.id == message.string}
    assert same == COGNATES[language]


def test_what_a_new_language_lacks_is_everything() -> None:
    assert set(lacking("nl")) == texts()
