"""Files to the disk: names, bounds, and what remains when something goes wrong."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from each_case import check_each
from hostile_texts import TEXTS
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap.window import areas, uploads
from riskmap.window.refusals import WindowError

EDGE = "----edge"
FORM = f"multipart/form-data; boundary={EDGE}"
BOUNDS = uploads.Bounds(bytes=1000, files=3, spare=0)


def body(*parts: tuple[str, str | None, bytes], end: bool = True) -> bytes:
    out = b""
    for name, called, content in parts:
        named = "" if called is None else f'; filename="{called}"'
        out += f'--{EDGE}\r\nContent-Disposition: form-data; name="{name}"{named}\r\n\r\n'.encode() + content + b"\r\n"
    return out + (f"--{EDGE}--\r\n".encode() if end else b"")


def received(folder: Path, content: bytes, kind: str = FORM, bounds: uploads.Bounds = BOUNDS, step: int = 7,
             length: int | None = None, allowed: bool = True) -> uploads.Given:
    async def stream() -> AsyncIterator[bytes]:
        for k in range(0, len(content), step):
            yield content[k:k + step]

    return asyncio.run(uploads.receive(stream(), kind, length, folder, bounds, lambda fields: allowed))


def refused(folder: Path, *args: object, **named: object) -> str:
    with pytest.raises(WindowError) as caught:
        received(folder, *args, **named)  # type: ignore[arg-type]
    assert list(folder.iterdir()) == []
    return str(caught.value)


def test_files_arrive_as_they_were_given_in_pieces_of_any_size(tmp_path: Path) -> None:
    sent = body(("token", None, b"t"), ("files", "a.csv", bytes(range(256))), ("files", "b/c.csv", b""))
    for step in (1, 5, 64, 10_000):
        folder = tmp_path / str(step)
        folder.mkdir()
        found = received(folder, sent, step=step)
        assert found.fields == {"token": "t"}
        kept = uploads.keep(found, folder, folder / "files")
        assert [path.relative_to(folder / "files").as_posix() for path, _ in kept] == ["a.csv", "b/c.csv"]
        assert (folder / "files" / "a.csv").read_bytes() == bytes(range(256))
        assert sorted(path.name for path in folder.iterdir()) == ["files"]


def test_bounds(tmp_path: Path) -> None:
    assert "E-WIN-008" in refused(tmp_path, body(("f", "a", b"x" * 600), ("f", "b", b"x" * 600)))
    assert "E-WIN-007" in refused(tmp_path, body(*[("f", f"{k}", b"x") for k in range(4)]))
    assert "E-WIN-006" in refused(tmp_path, body(("name", None, b"x" * (uploads.SMALL + 1))), step=5000)
    assert "E-WIN-009" in refused(tmp_path, body(("f", "x" * (uploads.HEADER + 1), b"x")), step=5000)
    assert "E-WIN-008" in refused(tmp_path, b"", length=1 << 40)  # before a byte of it was sent
    assert "E-WIN-010" in refused(tmp_path, b"", length=10, bounds=uploads.Bounds(spare=1 << 60))


def test_what_is_no_form_or_is_cut_off_is_refused(tmp_path: Path) -> None:
    assert "E-WIN-009" in refused(tmp_path, b"x", kind="text/plain")
    assert "E-WIN-009" in refused(tmp_path, b"x", kind="multipart/form-data")
    assert "E-WIN-009" in refused(tmp_path, b"nothing of a form")
    assert "E-WIN-009" in refused(tmp_path, body(("f", "a", b"x" * 50), end=False))
    assert "E-WIN-009" in refused(tmp_path, body(("f", "a", b"x" * 50))[:60])


def test_no_byte_is_written_before_the_token(tmp_path: Path) -> None:
    assert "E-WIN-012" in refused(tmp_path, body(("f", "a", b"x")), allowed=False)
    assert "E-WIN-012" in refused(tmp_path, body(("name", None, b"x")), allowed=False)


def test_a_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(uploads._Receiver, "on_part_data", full)
    message = refused(tmp_path, body(("f", "a", b"x")))
    assert "E-WIN-010" in message
    assert "No space left" in message


# ---------------------------------------------------------------- names
OUT = ("../../etc/passwd", "..\\..\\x", "/etc/passwd", "C:\\x\\y", "a/../../../b", ".", "..", "...", "", " ", "\0",
       "a\0b", ".hidden", "~/x", "con", "NUL.csv", "aux.tar.gz", "x" * 5000, "a/" * 5000 + "b", "-rf", "a\r\nb",
       "$(id)", "%2e%2e/x", "\u202egpj.exe", "area.toml\0.csv", "ä.csv", "日本.csv", "//host/share")


def stays_inside(called: str) -> None:
    parts = areas.plain_parts(called, "file")
    assert 1 <= len(parts) <= areas.DEEPEST
    for part in parts:
        assert areas.NAME.fullmatch(part), part
        assert part.split(".")[0].lower() not in areas._DEVICES
        assert ".." not in Path(part).parts
    base = Path("/base/files")
    assert base.joinpath(*parts).resolve().is_relative_to(base)


def test_no_name_leads_out_of_the_folder() -> None:
    check_each([*OUT, *TEXTS], stays_inside)


@given(st.text())
@settings(max_examples=300, deadline=None)
def test_no_text_at_all_leads_out_of_the_folder(called: str) -> None:
    stays_inside(called)


def test_the_parts_of_a_shapefile_stay_together(tmp_path: Path) -> None:
    sent = body(*[("f", name, b"x") for name in ("Łots 1.shp", "Łots 1.dbf", "Łots 1.shp.xml")])
    for _ in range(2):  # the second time beside the first
        kept = uploads.keep(received(tmp_path, sent), tmp_path, tmp_path / "files")
        assert len({path.name.split(".")[0] for path, _ in kept}) == 1
    assert sorted(path.name for path in (tmp_path / "files").iterdir()) == [
        "ots_1-2.dbf", "ots_1-2.shp", "ots_1-2.shp.xml", "ots_1.dbf", "ots_1.shp", "ots_1.shp.xml"]


def test_a_name_that_is_taken_gets_a_number(tmp_path: Path) -> None:
    sent = body(("f", "a.csv", b"1"), ("f", "a.csv", b"2"))
    uploads.keep(received(tmp_path, sent), tmp_path, tmp_path / "files")
    assert {path.name: path.read_bytes() for path in (tmp_path / "files").iterdir()} == {"a.csv": b"1", "a-2.csv": b"2"}


# ---------------------------------------------------------------- folders
def test_areas_are_found_in_a_listing_and_links_are_not_followed(tmp_path: Path) -> None:
    made = areas.Areas(tmp_path / "areas")
    first, second = made.make("My Town!"), made.make("my town!")
    assert (first.name, second.name) == ("my_town", "my_town-2")
    (tmp_path / "elsewhere" / areas.FILES).mkdir(parents=True)
    (made.root / "link").symlink_to(tmp_path / "elsewhere")
    assert made.names() == ["my_town", "my_town-2"]
    for name in ("link", "..", ".", "", "my_town/../my_town", "/", "nothing", "MY_TOWN"):
        with pytest.raises(WindowError, match="E-WIN-002"):
            made.folder(name)
    (first / "link").symlink_to(tmp_path)
    (first / ".secret").touch()
    for name in ("link", ".secret", "..", ".", "", "files/..", "nothing"):
        with pytest.raises(WindowError, match="E-WIN-003"):
            areas.entry_of(first, name)
    assert areas.entry_of(first, areas.FILES) == first / areas.FILES


def test_one_writer_an_area(tmp_path: Path) -> None:
    made = areas.Areas(tmp_path)
    folder = made.make("a")
    with areas.written_by_us(folder), pytest.raises(WindowError, match="E-WIN-005"), areas.written_by_us(folder):
        pass
    with areas.written_by_us(folder):
        pass  # it is free again


def test_a_folder_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(WindowError, match="E-WIN-001"):
        areas.Areas(tmp_path / "file" / "areas")
