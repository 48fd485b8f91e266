"""Zip archives: what is in them is read as it would be outside, and what could harm is refused."""

from __future__ import annotations

import io
import struct
import tempfile
import zipfile
from pathlib import Path

import openpyxl
import pytest

from vaultplan.errors import SchemaError, SettingsError, VaultplanError
from vaultplan.intake import count_rows, layers_of, read_chunks
from vaultplan.intake.files import unpacking
from vaultplan.intake.files.chunk import Chunk

CSV = b"vault_id,depth_ft\n001,8\n002,6.5\n"


@pytest.fixture(autouse=True)
def unpacked_here(tmp_path, monkeypatch):
    """Unpack into a folder of the test's own, to see that it is empty again."""
    folder = tmp_path / "unpacked"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    yield folder
    assert list(folder.iterdir()) == []


def zipped(path: Path, *entries: tuple[str | zipfile.ZipInfo, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for name, content in entries:
            target.writestr(name, content)
    return path


def zipped_folder(path: Path, folder: Path) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for file in sorted(folder.rglob("*")):
            target.write(file, file.relative_to(folder))
    return path


def only(path: Path, **options: object) -> Chunk:
    (chunk,) = read_chunks(path, **options)
    return chunk


@pytest.mark.parametrize("name", ["v.csv", "in/a folder/v.csv", "v.txt"])
def test_a_text_file_with_what_a_desktop_puts_beside_it(tmp_path, name):
    extras = [("__MACOSX/._v.csv", b"\0"), (".DS_Store", b"\0"), ("scan.pdf", b"%PDF")]
    path = zipped(tmp_path / "t.zip", *extras, (name, CSV))
    chunk = only(path)
    assert chunk.file == path
    assert chunk.frame["vault_id"].tolist() == ["001", "002"]
    assert (chunk.first_row, count_rows(path), layers_of(path)) == (2, 2, ())
    assert len(only(path, layer="v").frame) == 2
    with pytest.raises(SettingsError, match=r"t\.zip, .*v\.\w+ is one table and has no layer 'x'"):
        list(read_chunks(path, layer="x"))


@pytest.mark.parametrize(("ending", "driver"), [("shp", None), ("gpkg", None), ("geojson", None)])
def test_spatial_files(tmp_path, vaults, ending, driver):
    folder = tmp_path / "folder"
    (folder / "sub").mkdir(parents=True)
    narrow = vaults[["vault_id", "geometry"]]
    narrow = narrow.to_crs(4326) if ending == "geojson" else narrow
    narrow.to_file(folder / "sub" / f"lids.{ending}", engine="pyogrio")
    path = zipped_folder(tmp_path / "t.zip", folder)
    chunk = only(path)
    assert chunk.frame["vault_id"].tolist() == ["001", "002", "003"]
    assert chunk.crs == narrow.crs
    assert len(chunk.geometry) == count_rows(path) == 3
    assert layers_of(path) == ("lids",)


def test_a_geodatabase_keeps_its_layers(tmp_path, vaults):
    folder = tmp_path / "folder"
    folder.mkdir()
    for layer in ("lids", "spare"):
        vaults.to_file(folder / "town.gdb", layer=layer, engine="pyogrio", driver="OpenFileGDB")
    path = zipped_folder(tmp_path / "t.zip", folder)
    assert layers_of(path) == ("lids", "spare")
    with pytest.raises(SettingsError, match=r"t\.zip, town\.gdb has 2 layers; name one of: lids"):
        list(read_chunks(path))
    assert len(only(path, layer="spare").frame) == count_rows(path, layer="lids") == 3


def test_a_workbook_and_parquet(tmp_path, vaults):
    book, workbook = io.BytesIO(), openpyxl.Workbook()
    workbook.active.append(("vault_id", "depth_ft"))
    workbook.active.append(("001", 8.0))
    workbook.save(book)
    path = zipped(tmp_path / "t.zip", ("v.xlsx", book.getvalue()))
    assert only(path).frame.loc[2].tolist() == ["001", "8"]
    assert (layers_of(path), count_rows(path)) == (("Sheet",), 1)
    vaults.to_parquet(tmp_path / "v.parquet")
    path = zipped(tmp_path / "u.zip", ("v.parquet", (tmp_path / "v.parquet").read_bytes()))
    assert only(path).crs == vaults.crs


def test_several_files_are_listed_and_one_is_picked(tmp_path, vaults):
    for layer in ("lids", "spare"):
        vaults.to_file(tmp_path / "town.gpkg", layer=layer, engine="pyogrio")
    town = (tmp_path / "town.gpkg").read_bytes()
    files = [("a/vaults.csv", CSV), ("town.gpkg", town), ("readme.txt", b"hello")]
    path = zipped(tmp_path / "t.zip", *files)
    assert layers_of(path) == ("vaults", "town")
    with pytest.raises(SettingsError, match=r"t\.zip has 2 files; name one of: vaults, town"):
        read_chunks(path)
    with pytest.raises(SettingsError, match="no file 'gone'; it has vaults, town"):
        count_rows(path, layer="gone")
    for name in ("vaults", "a/vaults.csv"):
        assert len(only(path, layer=name).frame) == count_rows(path, layer=name) == 2
    with pytest.raises(SettingsError, match="2 layers; name one of"):
        list(read_chunks(path, layer="town"))
    assert len(only(path, layer="town/lids").frame) == 3
    path = zipped(tmp_path / "u.zip", ("a/v.csv", CSV), ("b/v.csv", CSV))
    assert layers_of(path) == ("a/v.csv", "b/v.csv")


def test_what_is_unpacked_is_gone_when_reading_is_given_up(tmp_path, unpacked_here):
    chunks = read_chunks(zipped(tmp_path / "t.zip", ("v.csv", CSV)), chunk_rows=1)
    assert list(unpacked_here.iterdir()) == []
    next(chunks)
    assert len(list(unpacked_here.rglob("v.csv"))) == 1
    chunks.close()
    assert list(unpacked_here.iterdir()) == []


def test_faults_name_the_archive_and_not_where_it_was_unpacked(tmp_path, unpacked_here):
    path = zipped(tmp_path / "t.zip", ("a/v.csv", b"a,b,a\n1,2,3\n"))
    with pytest.raises(SchemaError, match=r"t\.zip, a/v\.csv has two columns named a") as caught:
        list(read_chunks(path))
    assert str(unpacked_here) not in str(caught.value)
    path = zipped(tmp_path / "u.zip", ("town.gpkg", b"no database"))
    with pytest.raises(SchemaError, match=r"u\.zip, town\.gpkg cannot be read") as caught:
        layers_of(path)
    assert str(unpacked_here) not in str(caught.value)


def entry(name: str, mode: int = 0o100644) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo("x")
    info.filename = info.orig_filename = name
    info.create_system, info.external_attr = 3, mode << 16
    return info


@pytest.mark.parametrize(
    ("harmful", "why"),
    [
        (entry("/etc/v.csv"), "names a place outside"),
        (entry("C:/v.csv"), "names a place outside"),
        (entry("c:v.csv"), "names a place outside"),
        (entry("../v.csv"), "leads out of its folder"),
        (entry("a/../../v.csv"), "leads out of its folder"),
        (entry("a/./v.csv"), "leads out of its folder"),
        (entry("a//v.csv"), "leads out of its folder"),
        (entry("..\\v.csv"), "has a backslash"),
        (entry("a\\v.csv"), "has a backslash"),
        (entry("a\nv.csv"), "a sign in its name"),
        (entry("link.csv", 0o120777), "is a link"),
        (entry("device.csv", 0o020666), "is a link"),
        (entry("more.zip"), "is an archive in the archive"),
        (entry("more.tar.gz"), "is an archive in the archive"),
        (entry("good.csv/v.csv"), "lies in a file"),
        (entry("GOOD.csv"), "is in it twice"),
    ],
)
def test_entries_that_could_land_elsewhere_refuse_the_archive(tmp_path, harmful, why):
    path = zipped(tmp_path / "t.zip", ("good.csv", CSV), (harmful, CSV))
    for use in (read_chunks, count_rows, layers_of):
        with pytest.raises(SchemaError, match=rf"t\.zip: the entry .* {why}"):
            use(path)


def test_a_name_that_ends_early_is_refused(tmp_path):
    path = zipped(tmp_path / "t.zip", ("v.csvX..", CSV))
    path.write_bytes(path.read_bytes().replace(b"v.csvX..", b"v.csv\0.."))
    with pytest.raises(SchemaError, match="a sign in its name"):
        read_chunks(path)


def test_an_entry_that_is_there_twice(tmp_path):
    path = zipped(tmp_path / "t.zip", ("v.csv", CSV), ("w.csv", CSV))
    path.write_bytes(path.read_bytes().replace(b"w.csv", b"v.csv"))
    with pytest.raises(SchemaError, match=r"the entry 'v\.csv' is in it twice"):
        read_chunks(path)


def test_a_locked_entry(tmp_path):
    path = zipped(tmp_path / "t.zip", ("v.csv", CSV))
    content = bytearray(path.read_bytes())
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        content[content.index(mark) + at] |= 1
    path.write_bytes(content)
    with pytest.raises(SchemaError, match=r"'v\.csv' is locked with a password"):
        read_chunks(path)


def test_bombs_by_their_own_account(tmp_path, monkeypatch):
    path = zipped(tmp_path / "t.zip", ("v.csv", CSV), ("zeros.csv", bytes(60 << 20)))
    with pytest.raises(SchemaError, match=r"'zeros\.csv' unpacks to more than 200 times"):
        read_chunks(path)
    many = [(f"{i}.bin", b"") for i in range(10_001)]
    with pytest.raises(SchemaError, match="holds 10,001 entries, more than 10,000"):
        read_chunks(zipped(tmp_path / "u.zip", *many))
    path = zipped(tmp_path / "w.zip", ("v.csv", CSV))
    content = bytearray(path.read_bytes())
    struct.pack_into("<I", content, content.index(b"PK\x01\x02") + 24, 0xFFFF_FFF0)
    struct.pack_into("<I", content, content.index(b"PK\x01\x02") + 20, 0x1000_0000)
    path.write_bytes(content)
    with pytest.raises(SchemaError, match="unpacks to more than"):
        read_chunks(path)


def test_an_entry_that_says_it_is_small(tmp_path):
    """60 MB of zeros that claim to be 10 bytes: no more than that is ever handed out."""
    path = zipped(tmp_path / "t.zip", ("zeros.csv", bytes(60 << 20)))
    content = bytearray(path.read_bytes())
    struct.pack_into("<I", content, content.index(b"PK\x01\x02") + 24, 10)
    path.write_bytes(content)
    with pytest.raises(SchemaError, match=r"t\.zip cannot be unpacked: Bad CRC"):
        list(read_chunks(path))


def test_what_comes_out_is_counted(tmp_path, monkeypatch):
    path = zipped(tmp_path / "t.zip", ("v.csv", CSV + b"3,4\n" * 500_000))
    chunks = read_chunks(path)
    monkeypatch.setattr(unpacking, "MOST_BYTES", 1 << 20)
    monkeypatch.setattr(unpacking.Unpacker, "check", lambda self: None)
    with pytest.raises(SchemaError, match="unpacks to more than"):
        list(chunks)


def test_a_long_list_of_entries_is_not_even_read(tmp_path, monkeypatch):
    monkeypatch.setattr(unpacking, "MOST_DIRECTORY_BYTES", 4000)
    with pytest.raises(SchemaError, match="the list of its entries is too long"):
        read_chunks(zipped(tmp_path / "t.zip", *[(f"{i}.csv", b"") for i in range(200)]))


def test_archives_with_nothing_to_read_or_broken(tmp_path):
    with pytest.raises(SchemaError, match="holds no file that can be read"):
        read_chunks(zipped(tmp_path / "t.zip", ("scan.pdf", b"%PDF")))
    with pytest.raises(SchemaError, match=r"u\.zip cannot be unpacked"):
        (tmp_path / "u.zip").write_bytes(b"PK\x03\x04 and nothing more")
        read_chunks(tmp_path / "u.zip")
    good = zipped(tmp_path / "w.zip", ("v.csv", CSV)).read_bytes()
    for at in range(len(good)):
        (tmp_path / "w.zip").write_bytes(good[:at] + bytes([good[at] ^ 0xFF]) + good[at + 1 :])
        try:
            list(read_chunks(tmp_path / "w.zip"))
        except VaultplanError as error:
            assert "w.zip" in str(error)
