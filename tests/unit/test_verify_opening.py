"""A PDF from a stranger is opened within bounds, or not at all."""

from __future__ import annotations

import time
import zlib
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from lineside.verify import opening
from lineside.verify.attachments import read_attachments, unfit
from lineside.verify.findings import UnusablePdf
from lineside.verify.marked import Font, Reader, letters_of
from lineside.verify.opening import content_of, opened
from lineside.verify.printed import read_pdf


def deflated(n_bytes: int) -> bytes:
    """Zeros, packed a thousandfold, made piece by piece."""
    packer = zlib.compressobj(9)
    parts = [packer.compress(b"\0" * 100_000) for _ in range(n_bytes // 100_000)]
    return b"".join([*parts, packer.flush()])


def with_stream(path: Path, raw: bytes, **entries: Any) -> Path:
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        stream = pdf.make_stream(b"")
        stream.write(raw, filter=pikepdf.Name.FlateDecode)
        for key, value in entries.items():
            stream[f"/{key}"] = value
        pdf.Root.Extra = stream
        pdf.save(path, compress_streams=False, stream_decode_level=pikepdf.StreamDecodeLevel.none)
    return path


def refused(path: Path) -> str:
    with pytest.raises(UnusablePdf) as caught, opened(path):
        pass
    return str(caught.value)


def test_a_stream_that_unpacks_without_bounds_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = with_stream(tmp_path / "x.pdf", deflated(8_000_000))
    assert path.stat().st_size < 20_000
    with opened(path) as pdf:
        assert content_of(pdf.Root.Extra, 1_000_000) is None
        assert content_of(pdf.Root.Extra, 8_000_000) == b"\0" * 8_000_000
    monkeypatch.setattr(opening, "MAX_STREAM_BYTES", 4_000_000)
    monkeypatch.setattr("pikepdf.open", lambda *_a, **_k: pytest.fail("a PDF library saw it"))
    assert "unpacks to more" in refused(path)


def test_many_streams_are_bounded_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        pdf.Root.Extra = pikepdf.Array([pdf.make_stream(bytes([k]) * 500_000) for k in range(10)])
        pdf.save(tmp_path / "x.pdf")
    monkeypatch.setattr(opening, "MAX_UNPACKED_BYTES", 4_000_000)
    assert "unpacks to more" in refused(tmp_path / "x.pdf")


def test_only_pieces_of_a_stream_are_in_memory_at_once() -> None:
    sizes = [len(piece) for piece in opening.unpacked(deflated(20_000_000))]
    assert sum(sizes) == 20_000_000 and max(sizes) <= opening.PIECE_BYTES


@pytest.mark.parametrize(
    "filters",
    [
        pikepdf.Array([pikepdf.Name.FlateDecode, pikepdf.Name.FlateDecode]),
        pikepdf.Array([pikepdf.Name.ASCIIHexDecode, pikepdf.Name.FlateDecode]),
        pikepdf.Name.LZWDecode,
        pikepdf.Name.RunLengthDecode,
    ],
)
def test_chains_of_filters_and_odd_ones_are_refused(tmp_path: Path, filters: Any) -> None:
    assert "compressed in a way" in refused(with_stream(tmp_path / "x.pdf", deflated(1_000_000), Filter=filters))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"/Filter", b"/Filte#72"),
        (b"/FlateDecode", b"/Flate#44ecode"),
        (b"/Filter /FlateDecode", b"/Filter %\n [/FlateDecode/FlateDecode]"),
        (b"/Filter /FlateDecode", b"/Filter 3 0 R"),
    ],
)
def test_disguised_filters_are_refused(tmp_path: Path, old: bytes, new: bytes) -> None:
    path = with_stream(tmp_path / "x.pdf", deflated(1_000_000))
    content = path.read_bytes()
    assert old in content
    path.write_bytes(content.replace(old, new))
    assert "not opened" in refused(path)


def test_a_damaged_stream_or_one_with_a_predictor_gives_nothing(tmp_path: Path) -> None:
    packed = zlib.compress(b"words" * 100)
    for name, raw, entries in (
        ("cut", packed[:-4], {}),
        ("noise", b"noise", {}),
        ("predictor", packed, {"DecodeParms": pikepdf.Dictionary(Predictor=12)}),
    ):
        with opened(with_stream(tmp_path / f"{name}.pdf", raw, **entries)) as pdf:
            assert content_of(pdf.Root.Extra, 1000) is None, name


def test_many_marks_of_streams_cost_little_and_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.pdf"
    path.write_bytes(b"%PDF-1.7\n" + b"stream\n" * 300_000)
    start = time.process_time()
    assert "more than 200000 streams" in refused(path)
    assert time.process_time() - start < 20, "a megabyte is not copied for each"
    path = with_stream(tmp_path / "y.pdf", deflated(1_000_000))
    monkeypatch.setattr(opening, "MAX_TAKEN_BYTES", 500)
    assert "unpacks to more" in refused(path)


@pytest.mark.parametrize("names", [b"/a" + b"#4a" * 200, b"/a#4a" * 20_001])
def test_long_and_many_escaped_names_are_refused(tmp_path: Path, names: bytes) -> None:
    path = tmp_path / "x.pdf"
    path.write_bytes(b"%PDF-1.7\n" + names + b"\n")
    assert "longer or more names" in refused(path)


@pytest.mark.parametrize(
    ("bound", "message"), [("MAX_OPERATIONS", "draw more than 1,000"), ("MAX_LETTERS", "more words")]
)
def test_drawings_that_draw_one_another_many_times_are_bounded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bound: str, message: str
) -> None:
    with pikepdf.new() as pdf:
        inner = pdf.make_stream(b"BT (word) Tj ET", Type=pikepdf.Name.XObject, Subtype=pikepdf.Name.Form)
        for _ in range(3):
            content = b"/X Do " * 10
            outer = pdf.make_stream(content, Type=pikepdf.Name.XObject, Subtype=pikepdf.Name.Form)
            outer.Resources = pikepdf.Dictionary(XObject=pikepdf.Dictionary(X=inner))
            inner = outer
        page = pdf.add_blank_page()
        page.Resources = pikepdf.Dictionary(XObject=pikepdf.Dictionary(X=inner))
        page.Contents = pdf.make_stream(b"/X Do")
        pdf.save(tmp_path / "x.pdf")
    with opened(tmp_path / "x.pdf") as pdf:
        assert "".join(Reader(pdf).read(0).unmarked).count("word") == 1000
    monkeypatch.setattr(f"lineside.verify.marked.{bound}", 1000)
    with opened(tmp_path / "x.pdf") as pdf, pytest.raises(UnusablePdf, match=message):
        Reader(pdf).read(0)


def test_a_large_file_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = with_stream(tmp_path / "x.pdf", deflated(100_000))
    monkeypatch.setattr(opening, "MAX_PDF_BYTES", 500)
    assert "larger than" in refused(path)


def broken(change: Any, tmp_path: Path) -> Path:
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        pdf.Root.StructTreeRoot = pdf.make_indirect(pikepdf.Dictionary(Type=pikepdf.Name.StructTreeRoot))
        change(pdf)
        pdf.save(tmp_path / "x.pdf")
    return tmp_path / "x.pdf"


def _loop(pdf: pikepdf.Pdf) -> None:
    element = pdf.make_indirect(pikepdf.Dictionary(S=pikepdf.Name.P))
    element.K = pikepdf.Array([element])
    pdf.Root.StructTreeRoot.K = element


def _deep(pdf: pikepdf.Pdf) -> None:
    node = pikepdf.Dictionary(S=pikepdf.Name.P)
    for _ in range(200):
        node = pdf.make_indirect(pikepdf.Dictionary(S=pikepdf.Name.Div, K=node))
    pdf.Root.StructTreeRoot.K = node


def _attachments_loop(pdf: pikepdf.Pdf) -> None:
    node = pdf.make_indirect(pikepdf.Dictionary())
    node.Kids = pikepdf.Array([node])
    pdf.Root.Names = pikepdf.Dictionary(EmbeddedFiles=node)


def _form_loop(pdf: pikepdf.Pdf) -> None:
    form = pdf.make_stream(b"/Self Do")
    form.update({"/Type": pikepdf.Name.XObject, "/Subtype": pikepdf.Name.Form, "/BBox": pikepdf.Array([0, 0, 1, 1])})
    form.Resources = pikepdf.Dictionary(XObject=pikepdf.Dictionary(Self=form))
    page = pdf.pages[0]
    page.Resources = pikepdf.Dictionary(XObject=pikepdf.Dictionary(Self=form))
    page.Contents = pdf.make_stream(b"/Self Do")


def _odd_types(pdf: pikepdf.Pdf) -> None:
    pdf.Root.StructTreeRoot.K = pikepdf.Array([pikepdf.Dictionary(S=pikepdf.Name.P, K=pikepdf.String("x"), Pg=7)])


@pytest.mark.parametrize("change", [_loop, _deep, _attachments_loop, _form_loop, _odd_types])
def test_loops_and_depths_end(tmp_path: Path, change: Any) -> None:
    with pytest.raises(UnusablePdf), opened(broken(change, tmp_path)) as pdf:
        read_attachments(pdf)
        read_pdf(pdf)


@pytest.mark.parametrize("name", ["project.yaml", "data/track.csv", "Grüße an alle.csv", "a.b.c"])
def test_ordinary_names_are_used(name: str) -> None:
    assert unfit(name) == ""


@pytest.mark.parametrize(
    "name", ["", "..", "../x", "/x", "a/../x", "a\\b", "C:x", "a\nb", "~x/y", "CON", "a//b", "./a"]
)
def test_other_names_are_not(name: str) -> None:
    assert unfit(name)


def test_letters_of_a_font_and_codes_without_one() -> None:
    table = (
        b"2 beginbfchar <0001> <0066006C> <0002> <D835DC00> endbfchar 1 beginbfrange <0010> <0012> <0030> endbfrange"
    )
    letters = letters_of(table)
    assert letters == {1: "fl", 2: "\N{MATHEMATICAL BOLD CAPITAL A}", 16: "0", 17: "1", 18: "2"}
    assert Font(letters, 2).decode(b"\0\x10\0\x01\0\x63") == "0fl�"
    assert Font({}, 1).decode(b"48.2") == "48.2"


def test_words_are_kept_by_their_marks(tmp_path: Path) -> None:
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        font = pikepdf.Dictionary(Type=pikepdf.Name.Font, Subtype=pikepdf.Name.Type1, BaseFont=pikepdf.Name.Helvetica)
        pdf.pages[0].Resources = pikepdf.Dictionary(Font=pikepdf.Dictionary(F=pdf.make_indirect(font)))
        pdf.pages[0].Contents = pdf.make_stream(
            b"BT /F 9 Tf /Span <</MCID 4>> BDC (in) Tj /Other BMC [(s) 5 (ide)] TJ EMC EMC (astray) Tj "
            b"/Artifact BMC (margin) Tj EMC EMC (more) ' ET"
        )
        found = Reader(pdf).read(0)
    assert found.marked == {4: ["in", "side"]}
    assert [t for t in found.artifacts if t.strip()] == ["margin"]
    assert [t for t in found.unmarked if t.strip()] == ["astray", "more"]


def drawn(content: bytes) -> list[tuple[int | None, str]]:
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        pdf.pages[0].Contents = pdf.make_stream(content)
        return Reader(pdf).read(0).drawn


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"0 0 100 0.4 re 0 0 100 0 re f*", []),  # a rule below a cell
        (b"10 10 80 20 re 9 9 82 22 re f*", []),  # a frame
        (b"0 0 100 12 re f", ["drawing"]),
        (b"0 0 100 12 re 200 0 1 1 re f*", ["drawing"]),
        (b"0 0 100 12 re 0 0 100 1 re f*", ["drawing"]),
        (b"0 0 m 1 2 3 4 5 6 c S", ["drawing"]),
        (b"0 0 100 12 re W n", []),
        (b"BT 3 Tr (x) Tj ET", ["hidden words"]),
        (b"1 1 1 rg BT (x) Tj ET", ["hidden words"]),
        (b"0.2 g BT 0 Tr (x) Tj ET", []),
        (b"/Nothing Do", ["picture"]),
    ],
)
def test_what_is_drawn_besides_words_and_borders(content: bytes, what: list[str]) -> None:
    assert [w for _, w in drawn(content)] == what
    assert drawn(b"/Span <</MCID 7>> BDC " + content + b" EMC") == [(7, w) for w in what]
