"""Every flag the code can set has plain words, and every doubt that lowers data quality names a real flag."""

from __future__ import annotations

import pytest

from riskmap import risk
from riskmap.outputs import words


@pytest.mark.parametrize("start", risk.DOUBTFUL)
def test_doubts_name_flags_that_exist(start: str) -> None:
    assert [flag for flag in words.FLAGS if flag.startswith(start)]


def test_words_are_sentences() -> None:
    for flag, sentence in words.FLAGS.items():
        assert flag == flag.lower()
        assert sentence[0].isupper()
        assert sentence.endswith(".")
