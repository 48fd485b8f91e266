"""Sheets read aloud: tags, language, headings, words in place of pictures, on every page.

Held to the failure conditions that software can find in the Matterhorn Protocol 1.02 (PDF
Association, 2014), a list of the ways to miss ISO 14289-1 (PDF/UA-1); each check has its number,
those of clause 01 from the protocol's public listing, the others from memory.
The files are read by qpdf (pikepdf) and by poppler, not by Typst, which writes them.
"""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pikepdf
import pytest

from vaultplan.outputs.labels import load_labels
from vaultplan.outputs.sheets.write import write_sheets
from vaultplan.outputs.watch.sheet import write_watch_sheet
from vaultplan.settings import OutputSettings

from ..watch.conftest import facts, watched

PAINTS = {
    *("Tj", "TJ", "'", '"', "Do", "EI", "sh"),
    *("S", "s", "f", "F", "f*", "B", "B*", "b", "b*"),
}
LANGUAGES = ("en", "es")


@pytest.fixture(scope="module", params=LANGUAGES)
def language(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def papers(_week, week_settings, tmp_path_factory, language) -> dict[str, Path]:
    """Every sheet of the invented week, a yard's file and the watch-list, by name."""
    folder = tmp_path_factory.mktemp(language)
    spoken = week_settings.outputs.model_copy(update={"language": language})
    settings = week_settings.model_copy(update={"outputs": spoken})
    sheets = write_sheets(_week, folder, settings=settings)
    watch = folder / "watch.pdf"
    write_watch_sheet(watch, facts(), watched(_week), OutputSettings(language=language))
    return {path.stem: path for path in (*sheets, watch)}


@pytest.fixture
def opened(papers) -> Iterator[dict[str, pikepdf.Pdf]]:
    documents = {name: pikepdf.open(path) for name, path in papers.items()}
    yield documents
    for document in documents.values():
        document.close()


def elements(document: pikepdf.Pdf) -> list[Any]:
    """Return the structure's elements in the order they are read."""
    found: list[Any] = []

    def walk(kids: Any) -> None:
        for kid in kids if isinstance(kids, pikepdf.Array) else [kids]:
            if not isinstance(kid, pikepdf.Dictionary):
                continue
            if "/S" in kid:
                found.append(kid)
            walk(kid.get("/K", pikepdf.Array()))

    walk(document.Root.StructTreeRoot.K)
    return found


def names(document: pikepdf.Pdf) -> list[str]:
    return [str(element.S).lstrip("/") for element in elements(document)]


def attribute(element: Any, name: str) -> Any:
    held = element.get("/A", pikepdf.Array())
    blocks = held if isinstance(held, pikepdf.Array) else [held]
    return next((block[name] for block in blocks if name in block), None)


def loose(page: pikepdf.Page) -> list[str]:
    """Return what a page paints outside of any tag or artifact, or in one inside the other."""
    marks: list[str] = []
    faults = []
    for operands, operator in pikepdf.parse_content_stream(page):
        word = str(operator)
        if word in ("BDC", "BMC"):
            is_tagged = (
                len(operands) > 1
                and isinstance(operands[1], pikepdf.Dictionary)
                and ("/MCID" in operands[1])
            )
            mark = str(operands[0]) if str(operands[0]) == "/Artifact" else "tag" * is_tagged
            if mark and any(mark != outer for outer in marks if outer):
                faults.append(f"{mark} in {marks}")
            marks.append(mark)
        elif word == "EMC":
            marks.pop()
        elif word in PAINTS and not any(marks):
            faults.append(word)
    return faults


def tagged_text(path: Path) -> str:
    """Return a file's structure with its words, by poppler."""
    if shutil.which("pdfinfo") is None:
        pytest.skip("pdfinfo (poppler-utils) is not installed")
    told = subprocess.run(["pdfinfo", "-struct-text", str(path)], check=True, capture_output=True)
    return told.stdout.decode(errors="replace")


def test_each_says_that_it_is_tagged_what_it_is_called_and_which_language_it_speaks(
    opened, language
):
    """01-007, 06-001 to 06-003, 07-001, 07-002, 11-006."""
    assert len(opened) > 8
    for name, document in opened.items():
        root = document.Root
        assert root.MarkInfo.Marked
        assert not root.MarkInfo.get("/Suspects", False)
        assert str(root.Lang) == language
        assert root.ViewerPreferences.DisplayDocTitle
        with document.open_metadata() as metadata:
            assert metadata["pdfuaid:part"] == "1"
            assert metadata["dc:title"], name
            assert metadata["dc:title"] == str(document.docinfo["/Title"])


def test_no_two_sheets_have_one_title(opened):
    titles = [str(document.docinfo["/Title"]) for document in opened.values()]
    assert len(set(titles)) == len(titles)


def test_all_that_is_painted_is_tagged_or_an_artifact(opened):
    """01-003, 01-004, 01-005."""
    for name, document in opened.items():
        for page in document.pages:
            assert loose(page) == [], name


def test_the_check_of_paint_finds_loose_paint():
    document = pikepdf.new()
    page = document.add_blank_page()
    for stream, faults in {
        b"/P <</MCID 0>> BDC 0 0 9 9 re f EMC": [],
        b"/Artifact BMC 0 0 9 9 re f EMC": [],
        b"0 0 9 9 re f": ["f"],
        b"/P <</MCID 0>> BDC /Artifact BMC 0 0 9 9 re f EMC EMC": ["/Artifact in ['tag']"],
        b"/Span <</Lang (en)>> BDC 0 0 9 9 re f EMC": ["f"],
    }.items():
        page.Contents = document.make_stream(stream)
        assert loose(page) == faults


def test_every_picture_has_words_in_its_place(opened):
    """13-004. Maps tell what they show; a square code tells what is coded."""
    for name, document in opened.items():
        figures = [element for element in elements(document) if element.S == "/Figure"]
        said = [str(figure.get("/Alt", "")) for figure in figures]
        assert all(len(words.split()) > 2 for words in said), name
        assert figures


def test_headings_begin_at_the_first_level_and_skip_none(opened):
    """14-002, 14-003."""
    for name, document in opened.items():
        levels = [int(word[1]) for word in names(document) if re.fullmatch("H[1-6]", word)]
        assert levels[0] == 1, name
        assert 2 in levels
        assert all(after - before <= 1 for before, after in itertools.pairwise(levels)), name


def test_tables_name_what_their_columns_hold(opened):
    """15-003. Rows of one table are equally wide."""
    tables = 0
    for document in opened.values():
        found = elements(document)
        heads = [element for element in found if element.S == "/TH"]
        assert all(attribute(head, "/Scope") is not None for head in heads)
        for each in (element for element in found if element.S == "/Table"):
            tables += 1
            (head,) = [part for part in each.K if part.S == "/THead"]
            assert [str(cell.S) for cell in head.K[0].K]
            assert {str(cell.S) for row in head.K for cell in row.K} == {"/TH"}
            widths = {len(row.K) for part in each.K for row in part.K}
            assert len(widths) == 1
    assert tables > 8


def test_fonts_are_inside_and_tell_their_letters(opened):
    """31-009, 31-027: a screen reader gets letters, not shapes, on any machine."""
    count = 0
    for document in opened.values():
        for each in document.objects:
            if not (isinstance(each, pikepdf.Dictionary) and each.get("/Type") == "/Font"):
                continue
            count += 1
            if "/DescendantFonts" in each:
                assert "/ToUnicode" in each
            else:
                descriptor = each.FontDescriptor
                assert any(f"/FontFile{n}" in descriptor for n in ("", 2, 3))
    assert count > 0


def test_a_screen_reader_meets_stops_in_order_each_under_its_own_heading(papers, _week):
    stops = _week["plan_stops"]
    mine = stops[(stops["truck_id"] == "CREW-A") & (stops["on"] == pd.Timestamp("2026-03-02"))]
    told = tagged_text(papers["2026-03-02_crew-a"])
    headings = re.findall(r'^ *H2 "(.*)" \(block\)$', told, flags=re.MULTILINE)
    vaults = [v for v in mine.sort_values("stop_number")["vault_id"] if isinstance(v, str)]
    assert len(vaults) > 1
    assert [h for h in headings if any(v in h for v in vaults)] == [
        next(h for h in headings if vault in h) for vault in vaults
    ]


def test_what_the_water_looks_like_is_said_in_words_too(papers, _week, language):
    """Glyphs and the bar of chances are artifacts; nothing may hang on them alone."""
    t = load_labels(language)
    words = " ".join(tagged_text(papers["2026-03-03_yard-d-1"]).split())
    for grade in ("clear", "light", "heavy"):
        assert re.search(rf"{t[f'grade_{grade}']} [0-9]+%", words), grade
