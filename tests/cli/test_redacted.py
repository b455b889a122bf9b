"""Copies for the public: fifty things planted in the files of a firing, none of them in what is handed out."""

import html
import re
import shutil
import unicodedata
import zipfile
from functools import cache

import pytest

from standbook.analysis.analyse import analyse_run
from standbook.daq.run.run_folder import seal_run
from standbook.daq.storage.manifest import MANIFEST, write_manifest
from tests.every_write import a_campaign_with_a_run, a_sealed_run_with_a_gap, said
from tests.repository import ROOT

FIRING = next((ROOT / "sample_runs/teasel-2/runs").glob("*_HF-02_rehearsal"))
FLOW = next((ROOT / "sample_runs/teasel-2/runs").glob("*_WF-03_rehearsal"))


@pytest.fixture
def small(tmp_path):
    a_sealed_run_with_a_gap(tmp_path)
    return tmp_path


def export(place, *more):
    return said("export", str(place / "run"), "--channel", "PT-11", "--until", "0.1", "--to", str(place / "out"), *more)


def test_an_export_says_what_it_was_searched_for_and_holds_no_time_of_day(small):
    (small / "private.toml").write_text('words = ["Teasel"]\n')
    code, out, err = export(small, "--redacted", "--hide", "PT-11")
    assert (code, err) == (0, "")
    assert re.search(r"^searched \d+ strings, 0 found\.$", out, re.MULTILINE)
    head = (small / "out" / "HF-02_not-analysed_channels.csv").read_text().splitlines()[0]
    assert head == "time after T-0 [s],segment,[word 2] [bar(g)]"
    about = (small / "out" / "HF-02_not-analysed_channels.csv-metadata.json").read_text()
    assert '"rdfs:comment": "REDACTED COPY of manifest ' in about
    assert '"article": "[word 1]-2"' in about
    assert not re.search(r"\d\d:\d\d", about)


def test_without_redacted_nothing_is_hidden_and_hide_alone_is_refused(small):
    assert export(small)[0] == 0
    assert '"Teasel-2"' in (small / "out" / "HF-02_not-analysed_channels.csv-metadata.json").read_text()
    for command in ("export", "report", "archive"):
        code, _, err = said(command, str(small / "run"), "--hide", "Teasel")
        assert code == 2
        assert "--hide: hides nothing without --redacted" in err
    assert said("campaign", str(small), "--hide", "Teasel")[0] == 2


def test_a_fault_in_private_toml_is_one_sentence_with_file_and_key(small):
    (small / "private.toml").write_text('name = ["Jo"]\n')
    code, out, err = export(small, "--redacted")
    assert (code, out) == (3, "")
    assert err.count("\n") == 1
    assert f"{small / 'private.toml'} line 1: name" in err
    assert not (small / "out").exists()


def test_a_string_that_is_too_short_and_a_kind_that_cannot_be_searched_are_refused(small):
    assert "two letters or more" in export(small, "--redacted", "--hide", "x")[2]
    code, _, err = export(small, "--redacted", "--as", "xlsx")
    assert code == 2
    assert "a redacted copy is CSV" in err
    assert not (small / "out").exists()


def test_one_hit_leaves_no_file(small):
    code, _, err = export(small, "--redacted", "--hide", "tableSchema")  # a word of the program's own
    assert code == 7
    assert "still holds word 'tableSchema'; no file was left" in err
    assert not (small / "out").exists()


def test_an_archive_of_a_record_alone_has_nothing_to_show(small):
    code, _, err = said("archive", str(small / "run"), "--redacted", "--to", str(small / "a.zip"))
    assert code == 6
    assert "not analysed yet" in err
    assert not (small / "a.zip").exists()


def test_a_redacted_report_is_never_for_signature(small):
    code, _, err = said("report", str(small / "run"), "--redacted", "--for-signature")
    assert code == 2
    assert "cannot be signed" in err


def test_a_campaigns_page_is_redacted_and_an_older_copy_does_not_outlive_a_hit(tmp_path):
    a_campaign_with_a_run(tmp_path)
    campaign = tmp_path / "teasel-2"
    code, out, _ = said("campaign", str(campaign), "--redacted")
    assert code == 0
    assert re.search(r"^searched \d+ strings, 0 found\.$", out, re.MULTILINE)
    page = (campaign / "campaign_redacted.html").read_text(encoding="utf-8")
    assert "REDACTED COPY of 1 runs." in page
    assert not re.search(r"\d\d:\d\d", re.sub(r"<style.*?</style>", "", page, flags=re.DOTALL))
    assert not (campaign / "campaign.html").exists()
    code, _, err = said("campaign", str(campaign), "--redacted", "--hide", "REDACTED COPY")
    assert code == 7
    assert "still holds word 'REDACTED COPY'" in err
    assert not (campaign / "campaign_redacted.html").exists()


@pytest.mark.slow
def test_a_report_with_a_hit_is_not_written_and_an_older_copy_goes(tmp_path):
    copy = tmp_path / "runs" / FLOW.name
    shutil.copytree(FLOW, copy)
    code, out, _ = said("report", str(copy), "--redacted")
    place = copy / "analysis" / "report_rev-A_redacted.html"
    assert code == 0
    assert f"Redacted report: {place}" in out
    page = place.read_text(encoding="utf-8")
    assert page.index("REDACTED COPY of manifest") < page.index('<header class="masthead">')
    code, _, err = said("report", str(copy), "--redacted", "--hide", "authority")
    assert code == 7
    assert "still holds word 'authority'" in err
    assert not place.exists()
    assert (copy / "analysis" / "report_rev-A.html").is_file()


# --- fifty things -----------------------------------------------------------------------------------------

PEOPLE = ["Jürgen Ößner", "Brønnum", "O'Farrell-Quist", "Đặng Lan", "Ann Exampleton", "B. Placeholder", "Çağlayan"]
PLACES = ["Steinbruch Nord", "Kværndal", "Gate 42b", "Lower Testing", "Øvre Prøvestad", "Field Nine"]
COORDINATES = "52.2053, 0.1218"
WORDS = [
    "Zebrawood",
    "Operation Teaspoon",
    "budgetcode-7731",
    "Q & A <club>",
    "wolfram",
    "Lot №5",
    "ABCD 1234",
    "Überlauf",
]
TAGS = ["LC-1", "PT-11", "PT-12", "PT-13", "PT-21", "PT-22", "PT-23", "PT-31", "PT-32", "TC-11", "VS-1"]


def put(path, *pairs):
    text = path.read_text(encoding="utf-8")
    for old, new in pairs:
        assert re.search(old, text, re.MULTILINE), f"{path.name}: {old}"
        text = re.sub(old, lambda _, new=new: new, text, count=1, flags=re.MULTILINE)
    path.write_text(text, encoding="utf-8")


def planted(run):
    """Write something private into every free field of the files of a run, seal it again; return what was written."""
    told = [*PEOPLE, *PLACES, *WORDS]
    stand, plan = run / "stand.toml", run / "plan.toml"
    text = stand.read_text(encoding="utf-8")
    for number, tag in enumerate(TAGS):
        (calibration,) = (run / "calibrations").glob(f"{tag}_r*.toml")
        old = re.search(r'^sensor_serial = "(.*)"', calibration.read_text(encoding="utf-8"), re.MULTILINE)[1]
        serial = f"SERIAL-Ä{number}7X"
        reference = f"REF/{number}-ü"
        text = text.replace(f'sensor_serial = "{old}"', f'sensor_serial = "{serial}"')
        put(
            calibration,
            (r'^sensor_serial = ".*"', f'sensor_serial = "{serial}"\nreference_serial = "{reference}"'),
            (r'^sensor = "(.*)"', f'sensor = "cell of {PEOPLE[number % 7]}, {PLACES[number % 6]}"'),
            (r'^reference_standard = ".*"', f'reference_standard = "{WORDS[number % 8]} {PEOPLE[(number + 1) % 7]}"'),
        )
        told += [serial, reference]
    stand.write_text(text, encoding="utf-8")
    put(stand, (r'^name = ".*"', 'name = "steinbruch-nord-cradle"'), (r'^serial = ".*"', 'serial = "USB-7c-ÅÅ"'))
    put(stand, (r"^baud = ", 'port = "/dev/tty.usb-Kværn"\nbaud = '))
    put(
        plan,
        (r'^stand = ".*"', 'stand = "steinbruch-nord-cradle"'),
        (r'^article = ".*"', 'article = "Teasel-2 ZEBRA\u00adWOOD"'),
        (r'^objective = ".*"', 'objective = "by J\u00fcrgen \u00d6\u00dfner at 52\u00b012\'19\\"N, Gate 42b"'),
        (r'^conductor = ".*"', 'conductor = "Brønnum"'),
        (r'^range_safety = ".*"', 'range_safety = "Xv"'),
        (r'^load_control = ".*"', 'load_control = "two people, KVAERNDAL scale, kværndal"'),
    )
    note = f"key under the third stone, {COORDINATES}; Đặng Lan has the other"
    put(
        run / "additions" / "001" / "weighings.toml",
        (r'^by = ".*"', 'by = "Øl"'),
        (r'^residual = "0.878', f'note = "{note}"\nresidual = "0.878'),
    )
    record = run / "record.json"
    put(record, (r'"opened: [^"]*"', '"opened: /dev/tty.usb-Kværn at 9600 bit/s, /home/olesen/teasel"'))
    resealed(run)
    return [*told, "USB-7c-ÅÅ", "/dev/tty.usb-Kværn", "Brønnum", "Xv", "Øl", note, "olesen", "steinbruch-nord"]


def resealed(run):
    """Seal what was changed, its addition too, and analyse it again."""
    for manifest in run.rglob(MANIFEST):
        manifest.unlink()
    shutil.rmtree(run / "analysis")
    seal_run(run)
    write_manifest(run / "additions" / "001", parents=[run / MANIFEST])
    analyse_run(run)


@cache
def bare(content):
    """What a reader sees of a file, by other means than the program's: tags, entities, accents, case taken off."""
    if content.isascii() and b"<" not in content and b"&" not in content:
        return [" ".join(content.decode("ascii").lower().split())]
    text = html.unescape(html.unescape(content.decode("utf-8")))
    texts = [text, re.sub(r"<[^>]*>", "", text), re.sub(r"<[^>]*>", " ", text)]
    flat = []
    for one in texts:
        letters = (c for c in unicodedata.normalize("NFD", one.replace("\u00ad", "")) if not unicodedata.combining(c))
        flat.append(" ".join("".join(letters).casefold().split()))
    return flat


def holds(content, text):
    alone = rf"(?<![\w-]){re.escape(text)}(?![\w-])"
    if len(text) <= 3:  # initials: as they are written
        return bool(re.search(alone, content.decode("utf-8")))
    return any(bare(text.encode())[0] in one for one in bare(content))


@pytest.fixture(scope="module")
def handed_out(tmp_path_factory):
    """Everything that is made for the public of a run full of planted things; and what was planted."""
    campaign = tmp_path_factory.mktemp("public") / "teasel-2"
    run = campaign / "runs" / FIRING.name
    shutil.copytree(FIRING, run)
    told = planted(run)
    quoted = [", ".join(f'"{text}"' for text in texts) for texts in (PEOPLE, PLACES, [COORDINATES], WORDS)]
    (campaign / "private.toml").write_text(
        "".join(f"{key} = [{q}]\n" for key, q in zip(("names", "places", "coordinates", "words"), quoted, strict=True)),
        encoding="utf-8",
    )
    made, lines = {}, []
    for words in (
        ("report", str(run), "--redacted"),
        ("export", str(run), "--redacted", "--as", "csv,thrust", "--to", str(campaign / "out")),
        ("archive", str(run), "--redacted", "--to", str(campaign / "a.zip")),
        ("campaign", str(campaign), "--redacted"),
    ):
        code, out, err = said(*words)
        assert code in (0, 10), err
        lines.append(out)
    files = [run / "analysis" / "report_rev-A_redacted.html", campaign / "campaign_redacted.html"]
    made |= {path.name: path.read_bytes() for path in (*files, *(campaign / "out").iterdir())}
    with zipfile.ZipFile(campaign / "a.zip") as packed:
        made |= {f"zip/{name}": packed.read(name) for name in packed.namelist()}
    return run, told, made, lines


@pytest.mark.slow
def test_of_fifty_planted_things_none_is_in_what_is_handed_out(handed_out):
    run, told, made, lines = handed_out
    assert len(set(told)) >= 50  # the coordinates besides
    own = b"".join(path.read_bytes() for path in run.rglob("*") if path.suffix in (".toml", ".json"))
    assert all(holds(own, text) for text in told if not text.startswith("key under")), "not planted"
    left = [(name, text) for name, content in made.items() for text in told if holds(content, text)]
    assert left == []
    for text in ("52.205", "0.1218", "52°12", "06:15", "06:14"):
        texts = [name for name, content in made.items() if not name.endswith(".csv") and holds(content, f"x{text}"[1:])]
        drawn = [name for name in texts if text in re.sub(rb"<[^>]*>", b" ", made[name]).decode()]
        assert drawn == [], text
    assert all(re.search(r"searched \d+ strings, 0 found", out) for out in lines)
    assert int(re.search(r"searched (\d+) strings", lines[0])[1]) >= 50


@pytest.mark.slow
def test_the_report_itself_holds_what_its_copy_does_not(handed_out):
    """The search would find them: the report that is not for the public holds most of what was planted."""
    run, told, made, _ = handed_out
    assert said("report", str(run))[0] == 0
    whole = (run / "analysis" / "report_rev-A.html").read_bytes()
    assert sum(holds(whole, text) for text in told) >= 20
    copy = made["report_rev-A_redacted.html"].decode("utf-8")
    assert "[serial 1]" in copy
    assert "[name 1]" in copy
    assert 'class="signature"' not in copy


@pytest.mark.slow
def test_a_redacted_archive_holds_tables_and_report_alone_and_is_verified(handed_out):
    run, _, made, _ = handed_out
    names = {name.partition("/")[2].partition("/")[2] for name in made if name.startswith("zip/")}
    assert {"README.txt", "SHA256SUMS", "report.html", "exports/HF-02_rev-A_channels.csv"} <= names
    assert not [name for name in names if name.endswith((".parquet", ".arrows", ".toml")) or "runs/" in name]
    code, out, _ = said("verify", str(run.parent.parent / "a.zip"))
    assert code == 0
    assert "redacted: it holds no record; its first line names the manifest it is of" in out


@pytest.mark.slow
def test_private_toml_is_in_no_archive(handed_out, tmp_path):
    run = handed_out[0]
    assert said("report", str(run))[0] == 0
    assert said("archive", str(run), "--to", str(tmp_path / "a.zip"))[0] == 0
    with zipfile.ZipFile(tmp_path / "a.zip") as packed:
        assert not [name for name in packed.namelist() if name.endswith("private.toml")]
