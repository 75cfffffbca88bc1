from __future__ import annotations

from fhirdrain.vocabulary.codes import LOCAL
from fhirdrain.vocabulary.localcodes import LOCAL_CODES
from fhirdrain.vocabulary.observables import OBSERVABLES, WORD_CODINGS
from fhirdrain.vocabulary.units import UNITS


def test_every_unit_of_an_observable_is_of_one_kind():
    for observable in OBSERVABLES.values():
        for holder in (observable, *observable.components):
            assert len({UNITS[unit].kind for unit in holder.units}) <= 1


def test_quantities_have_units_and_words_have_words():
    for observable in OBSERVABLES.values():
        assert bool(observable.units) == (observable.kind == "quantity")
        assert bool(observable.words) == (observable.kind == "words")


def test_no_word_means_an_observable_too():
    names = {c.code for o in OBSERVABLES.values() for c in o.codes if c.system == LOCAL}
    words = {word for o in OBSERVABLES.values() for word in o.words}
    assert not names & words


def test_positive_and_negative_never_appear_as_words():
    assert not {"positive", "negative", "yes", "no"} & set(LOCAL_CODES)


def test_words_with_a_foreign_code_are_words():
    for name, word in WORD_CODINGS:
        assert word in OBSERVABLES[name].words


def test_serosanguineous_and_bloody_are_never_merged():
    assert {"serosanguineous", "bloody"} <= set(OBSERVABLES["appearance"].words)
    assert ("appearance", "serosanguineous") not in WORD_CODINGS
