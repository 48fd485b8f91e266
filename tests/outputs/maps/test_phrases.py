"""Phrases kept once: nothing is lost, nothing is kept twice."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from vaultplan.outputs.maps.phrases import Phrases


@given(st.lists(st.text(alphabet="ab. ;,\u05d0\U0001f30a", max_size=30), max_size=10))
def test_texts_come_back_and_no_phrase_stands_twice(texts):
    phrases = Phrases()
    packed, told = phrases.pack(texts), phrases.told
    assert [" ".join(told[k] for k in numbers) for numbers in packed] == texts
    assert len(set(told)) == len(told)
