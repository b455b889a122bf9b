"""Secrets found in files, replaced in data, searched for in finished bytes."""

from dataclasses import dataclass, field
from typing import NamedTuple

import pytest

from standbook.analysis.redaction.private_file import PrivateFile
from standbook.analysis.redaction.proof import hits, prove, sealed_line, with_first_line
from standbook.analysis.redaction.replacing import Redaction
from standbook.analysis.redaction.secrets import numbered, secrets_of
from standbook.daq.errors import DataError

NOTHING = PrivateFile()


def secrets(*pairs):
    return numbered(pairs)


def found_in(folder, **files):
    for name, text in files.items():
        place = folder / name.replace("__", "/").replace("_toml", ".toml").replace("_json", ".json")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text, encoding="utf-8")
    return {(secret.kind, secret.text) for secret in secrets_of([folder], NOTHING)}


def test_serials_people_and_notes_are_taken_from_typed_files(tmp_path):
    found = found_in(
        tmp_path,
        stand_toml='[[device]]\nserial = "USB-1"\nport = "ttyS9"\n[[input]]\nsensor_serial = "PT-4411"\n',
        plan_toml='[test]\nconductor = "Jo Example"\nrange_safety = "RSO"\n',
        additions__001__weighings_toml='by = "Bo"\n[[weighing]]\nnote = "key under the stone"\n',
        calibrations__a_toml='reference_serial = "RC-3"\nlatency = "1 ms"\n',
    )
    assert found == {
        ("serial", "USB-1"),
        ("port", "ttyS9"),
        ("serial", "PT-4411"),
        ("person", "Jo Example"),
        ("person", "RSO"),
        ("person", "Bo"),
        ("note", "key under the stone"),
        ("serial", "RC-3"),
    }


def test_ports_and_home_folders_are_known_by_their_form_and_machine_words_stay(tmp_path):
    found = found_in(
        tmp_path,
        record_json='{"text": "opened: /dev/ttyUSB0 at 9600 bit/s", "by": "nobody", "reason": "stopped"}',
        raw__a_capture_json='{"port": "COM7", "serial": "0007", "host": "laptop-9"}\0\0',
        analysis__rev_A__results_json='{"where": "/home/jo/teasel-2", "by": "x"}',
        broken_json="{",
    )
    assert found == {
        ("port", "/dev/ttyUSB0"),
        ("port", "COM7"),
        ("serial", "0007"),
        ("host", "laptop-9"),
        ("user", "jo"),
    }


def test_a_mark_that_was_typed_is_a_note_and_one_of_the_plans_keys_is_not(tmp_path):
    (tmp_path / "marks.jsonl").write_text(
        '{"text": "valve by Jo sticks", "key": "", "by": "screen", "monotonic_ns": 1}\n'
        '{"text": "vented", "key": "v", "by": "screen", "monotonic_ns": 2}\n{torn\n'
    )
    assert {(s.kind, s.text) for s in secrets_of([tmp_path], NOTHING)} == {("note", "valve by Jo sticks")}


def test_what_the_crew_lists_and_hides_comes_first_and_the_same_thing_has_the_same_word(tmp_path):
    private = PrivateFile(names=("Jo Example",), places=("Quarry",), coordinates=("52.2053, 0.1218",), words=("club",))
    found = secrets_of([tmp_path], private, ["QUARRY", "gate"])
    assert {secret.word for secret in found} == {"[name 1]", "[place 1]", "[coordinates 1]", "[word 1]", "[word 2]"}
    assert [len(secret.text) for secret in found] == sorted((len(secret.text) for secret in found), reverse=True)


class Pair(NamedTuple):
    first: str
    second: float


@dataclass(frozen=True, slots=True)
class Record:
    code: str
    text: str
    numbers: tuple[float, ...] = (1.0,)
    pairs: tuple[Pair, ...] = ()
    table: dict[str, list[str]] = field(default_factory=dict)
    none: None = None


def test_every_text_of_a_record_is_replaced_and_what_holds_none_stays():
    redaction = Redaction(secrets(("serial", "PT-4411"), ("person", "Jo")))
    record = Record(
        code="PT-4411",  # a word of the program's own
        text="by Jo, on pt-4411 and Jordan",
        pairs=(Pair("Jo", 2.0),),
        table={"Jo": ["x", "PT-4411b"]},
    )
    told = redaction.data(record)
    assert told.code == "PT-4411"
    assert told.text == "by [person 1], on [serial 1] and Jordan"
    assert told.pairs == (Pair("[person 1]", 2.0),)
    assert told.table == {"[person 1]": ["x", "[serial 1]b"]}
    assert told.numbers is not None
    assert redaction.data(Record) is Record


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("2031-06-14T09:58:12.125740972Z", "2031-06-14"),
        ("locked 2031-06-14 09:12 UTC, before", "locked 2031-06-14, before"),
        ("at 09:58:12 and 9:58", "at [time of day] and [time of day]"),
        ("ratio 1.46:12, row 10:2", "ratio 1.46:12, row 10:2"),
    ],
)
def test_the_day_stays_and_the_time_of_day_goes(text, told):
    assert Redaction(()).text(text) == told


def test_the_longest_is_replaced_first_and_accents_do_not_hide():
    redaction = Redaction(secrets(("name", "Müller"), ("place", "Müller Farm")))
    assert redaction.text("MULLER FARM, Frau Mu\u0308ller, mül\u00adlerin") == "[place 1], Frau [name 1], [name 1]in"


def test_numbers_and_initials_count_only_alone_and_as_written():
    redaction = Redaction(secrets(("serial", "0007"), ("person", "TC")))
    assert redaction.text("0007, 1.0007, 100071, 0007b") == "[serial 1], 1.0007, 100071, 0007b"
    assert redaction.text("TC, TC-11, tc, ATC") == "[person 1], TC-11, tc, ATC"


HIDING = [
    "<p>Quarry Road</p>",
    "<p>QUARRY\u00a0road</p>",
    "<p>Qu<b>ar</b>ry Road</p>",
    "<p>&#81;uarry &#x52;oad</p>",
    "<p>Quar&shy;ry Ro\u200bad</p>",
    "<p>Quárry\n  Roád</p>",
    '<svg aria-label="Quarry Road"></svg>',
    '<img alt="Quarry&#32;Road">',
    "<!-- Quarry Road -->",
    '<style>@page { content: "Quarry\\000020Road" }</style>',
    "<title>a_Quarry Road_b</title>",
]


@pytest.mark.parametrize("page", HIDING)
def test_a_secret_is_found_however_a_page_hides_it(page):
    assert hits("a.html", page.encode(), secrets(("place", "Quarry Road"))) == ["place 'Quarry Road'"]


def test_what_is_drawn_and_the_numbers_of_a_table_are_no_text():
    here = secrets(("coordinates", "52.2053, 0.1218"), ("serial", "1234"))
    assert hits("a.html", b'<path d="M 52.2053 1234 L 0.1218 3"/>', here) == []
    assert hits("a.csv", b"a,b\r\n52.2053,1234\r\n", here) == []
    assert hits("a.csv", b"a,at 52.2053\r\n1,2\r\n", here) == ["coordinates '52.2053, 0.1218'"]
    assert hits("a.json", b'{"a": ["\\u0031234"]}', here) == ["serial '1234'"]
    assert hits("1234.txt", b"", here) == ["serial '1234'"]


def test_a_time_of_day_is_found():
    assert hits("a.txt", b"T-0 at 09:58:12", ()) == ["the time of day '09:58:12'"]
    assert hits("a.html", b"<p>2031-06-14T09:58Z</p>", ()) == ["the time of day '2031-06-14T09:58Z'"]


def test_initials_are_searched_for_as_they_are_written():
    assert hits("a.txt", b"tc TC-11 etc", secrets(("person", "TC"))) == []
    assert hits("a.txt", b"by TC.", secrets(("person", "TC"))) == ["person 'TC'"]


def test_the_proof_counts_or_names_the_file_and_the_string():
    here = secrets(("place", "Quarry"))
    assert prove({"a.txt": b"none"}, here) == "searched 2 strings, 0 found"
    with pytest.raises(DataError, match=r"^b\.txt: still holds place 'Quarry'; no file was left"):
        prove({"a.txt": b"none", "b.txt": b"quarry"}, here)


def test_the_first_line_stands_above_all_else():
    page = with_first_line('<html><body class="x">\n<p>a</p></body></html>', sealed_line("0123456789ab" * 5))
    assert page.startswith('<html><body class="x">\n<p class="notice">REDACTED COPY of manifest 01234567...: ')
    assert page.endswith("<p>a</p></body></html>")
    sheet = with_first_line('<body><nav></nav><section class="sheet" id="one"><h1>a</h1></section></body>', "first")
    assert sheet.endswith('<section class="sheet" id="one">\n<p class="notice">first</p><h1>a</h1></section></body>')
