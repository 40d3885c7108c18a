"""Changes to finished PDFs, as someone with a PDF library would make them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pikepdf

from lineside.verify.marked import letters_of


def edit(source: Path, target: Path, *changes: Callable[[pikepdf.Pdf], None]) -> Path:
    with pikepdf.open(source) as pdf:
        for change in changes:
            change(pdf)
        pdf.save(target)
    return target


def retype(
    old: str, new: str, after: str = "", page: int | None = None, whole: bool = False
) -> Callable[[pikepdf.Pdf], None]:
    """Replace the digits of a printed text by others of the same font.

    Parameters
    ----------
    old, new : str
        Whole text of one piece as drawn, and what it becomes; both of one length.
    after : str
        Text that must have been drawn before.
    page : int, optional
        The only page that is changed, from 0.
    whole : bool
        Only a piece of nothing but ``old``.
    """
    assert len(old) == len(new)

    def change(pdf: pikepdf.Pdf) -> None:
        seen = not after
        for number, sheet in enumerate(pdf.pages):
            if page is not None and number != page:
                continue
            fonts = {k: letters_of(f.ToUnicode.read_bytes()) for k, f in sheet.Resources.Font.items()}
            operations, font = list(pikepdf.parse_content_stream(sheet)), ""
            for n, (operands, operator) in enumerate(operations):
                if str(operator) == "Tf":
                    font = str(operands[0])
                elif str(operator) == "TJ":
                    letters = fonts[font]
                    codes = b"".join(bytes(part) for part in operands[0] if isinstance(part, pikepdf.String))
                    pairs = [int.from_bytes(codes[k : k + 2], "big") for k in range(0, len(codes), 2)]
                    text = "".join(letters.get(c, "?") for c in pairs)
                    seen = seen or after in text
                    if seen and (text == old if whole else old in text) and len(text) == len(pairs):
                        at, known = text.index(old), {letter: code for code, letter in letters.items()}
                        for k, letter in enumerate(new):
                            if letter != old[k]:
                                pairs[at + k] = known[letter]
                        drawn = b"".join(c.to_bytes(2, "big") for c in pairs)
                        operations[n] = ([pikepdf.Array([pikepdf.String(drawn)])], operator)
                        sheet.Contents = pdf.make_stream(pikepdf.unparse_content_stream(operations))
                        return
        raise AssertionError(f"{old!r} is not drawn")

    return change


def draw(page: int, content: bytes, before: bool = False) -> Callable[[pikepdf.Pdf], None]:
    """Draw more on a page, over it or below it."""

    def change(pdf: pikepdf.Pdf) -> None:
        font = pikepdf.Dictionary(Type=pikepdf.Name.Font, Subtype=pikepdf.Name.Type1, BaseFont=pikepdf.Name.Helvetica)
        pdf.pages[page].Resources.Font["/Fnew"] = pdf.make_indirect(font)
        pdf.pages[page].contents_add(content, prepend=before)

    return change


def attach(name: str, content: bytes, listed: bool = True) -> Callable[[pikepdf.Pdf], None]:
    """Attach a file, or put another content in the place of one."""

    def change(pdf: pikepdf.Pdf) -> None:
        stream = pdf.make_stream(content)
        for spec in _specifications(pdf):
            if str(spec.UF) == name:
                spec.EF = pikepdf.Dictionary(F=stream)
                return
        spec = pdf.make_indirect(
            pikepdf.Dictionary(
                Type=pikepdf.Name.Filespec, F=_text(name), UF=_text(name), EF=pikepdf.Dictionary(F=stream)
            )
        )
        pdf.Root.Names.EmbeddedFiles.Names.append(pikepdf.String(f"zz{len(pdf.Root.AF)}"))
        pdf.Root.Names.EmbeddedFiles.Names.append(spec)
        if listed:
            pdf.Root.AF.append(spec)

    return change


def detach(name: str) -> Callable[[pikepdf.Pdf], None]:
    def change(pdf: pikepdf.Pdf) -> None:
        names = pdf.Root.Names.EmbeddedFiles.Names
        kept = [(k, s) for k, s in zip(list(names)[::2], list(names)[1::2], strict=True) if str(s.UF) != name]
        pdf.Root.Names.EmbeddedFiles.Names = pikepdf.Array([part for pair in kept for part in pair])
        pdf.Root.AF = pikepdf.Array([s for s in pdf.Root.AF if str(s.UF) != name])

    return change


def rename(name: str, to: str) -> Callable[[pikepdf.Pdf], None]:
    def change(pdf: pikepdf.Pdf) -> None:
        for spec in _specifications(pdf):
            if str(spec.UF) == name:
                spec.UF = spec.F = _text(to)

    return change


def attached(path: Path, name: str) -> bytes:
    with pikepdf.open(path) as pdf:
        return next(bytes(s.EF.F.read_bytes()) for s in _specifications(pdf) if str(s.UF) == name)


def _specifications(pdf: pikepdf.Pdf) -> list[pikepdf.Dictionary]:
    return list(pdf.Root.Names.EmbeddedFiles.Names)[1::2]


def _text(name: str) -> pikepdf.String:
    return pikepdf.String(name)
