"""A board that repeats itself does not drown what else is said."""

from standbook.daq.run.record_summary import NOTES_TOLD, NoteRecord, few_notes


def note(text, severity="caution"):
    return NoteRecord(severity=severity, host_ns=7, text=text)


def test_equal_notes_are_told_once_with_their_count():
    told = few_notes([note("overrun"), note("brown-out"), *[note("overrun")] * 14_999])
    assert [one.text for one in told] == ["overrun (15,000 times)", "brown-out"]


def test_many_different_notes_are_counted_and_the_worst_of_the_rest_shows():
    told = few_notes([*(note(f"row {k} late") for k in range(300)), note("disk", severity="serious")])
    assert len(told) == NOTES_TOLD + 1
    assert told[-1].text == "281 notes more, all of them in record.json"
    assert told[-1].severity == "serious"


def test_few_are_told_as_they_are():
    notes = tuple(note(f"row {k} late") for k in range(NOTES_TOLD))
    assert few_notes(notes) == notes
