"""A text file as blocks of whole lines: any encoding, any line ends, never more of it in memory than a block."""

from __future__ import annotations

import codecs
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from swathledger.errors import LogError
from swathledger.notes import Note
from swathledger.text import file_name

BLOCK = 8 << 20
"""Bytes read at once."""
MOST_LINE_BYTES = 1 << 20
"""A longer line is no row of a table; it is counted, and what it holds is let go."""
TOO_LONG = b"\0"
"""Begins a line that was too long: no other line holds a zero byte."""
_SHOWN = 60
_UTF8 = frozenset({"utf-8", "utf-8-sig"})


@dataclass(frozen=True, slots=True)
class Block:
    """Whole lines in UTF-8, each ended by one line feed.

    Attributes
    ----------
    data : bytes
    first_line : int
        Number in the file of its first line, from 1.
    lines : int
    empty : int
        Lines that hold no byte.
    too_long : bool
        Some line was too long; it begins with `TOO_LONG`.
    """

    data: bytes
    first_line: int
    lines: int
    empty: int
    too_long: bool = False

    @classmethod
    def of(cls, data: bytes, first_line: int) -> Block:
        """Count the lines of ``data`` and shorten those that are too long."""
        ends = np.flatnonzero(np.frombuffer(data, np.uint8) == 10)
        lengths = np.diff(ends, prepend=-1) - 1
        too_long = bool(lengths.size and lengths.max() > MOST_LINE_BYTES) or TOO_LONG in data
        if too_long:
            lines = data.split(b"\n")[:-1]
            data = b"".join((_shortened(line) if len(line) > MOST_LINE_BYTES else line) + b"\n" for line in lines)
        return cls(data, first_line, int(ends.size), int((lengths == 0).sum()), too_long)

    def text(self) -> list[str]:
        """Lines as text, without their ends."""
        return self.data.decode("utf-8").split("\n")[:-1]

    def without(self, count: int) -> Block:
        """The block without its first ``count`` lines."""
        at = 0
        for _ in range(count):
            at = self.data.index(b"\n", at) + 1
        return Block.of(self.data[at:], self.first_line + count)


def _shortened(line: bytes) -> bytes:
    return TOO_LONG + line[:_SHOWN].decode("utf-8", "ignore").encode()


class TextFile:
    """Reads a text file once, from its start to its end.

    Parameters
    ----------
    path : Path
    encoding : str, optional
        None: UTF-16 by its mark, else UTF-8, and line by line Windows-1252 where a line is not UTF-8.

    Attributes
    ----------
    sha256 : str
        Of the file's bytes; whole once all blocks were taken.
    """

    def __init__(self, path: Path, encoding: str | None = None) -> None:
        self.path = path
        self.encoding = encoding
        self._digest = hashlib.sha256()
        self._foreign = 0
        self._mixed = False
        self._zeros = False

    @property
    def sha256(self) -> str:
        """Hex digest of what was read."""
        return self._digest.hexdigest()

    @property
    def warnings(self) -> tuple[Note, ...]:
        """What had to be guessed."""
        name = file_name(self.path)
        told = []
        if self._foreign:
            told.append(
                Note.of("log.mixed_encodings" if self._mixed else "log.not_utf8", file=name, count=self._foreign)
            )
        if self._zeros:
            told.append(Note.of("log.zero_bytes", file=name))
        return tuple(told)

    def blocks(self, size: int | None = None) -> Iterator[Block]:
        """Blocks of about ``size`` bytes (None: `BLOCK`).

        Raises
        ------
        LogError
            The file is not in the encoding that was given, or there is no such encoding.
        """
        line, carry, held = 1, b"", b""
        for data in self._utf8(size or BLOCK):
            if b"\0" in data:
                self._zeros = True
                data = data.replace(b"\0", b"")  # noqa: PLW2901  # the block goes through several steps
            whole = held + data
            held = b"\r" if whole.endswith(b"\r") else b""  # its line feed may be the next block's first byte
            whole = whole.removesuffix(b"\r")
            if b"\r" in whole:
                whole = whole.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
            cut = whole.rfind(b"\n") + 1
            if not cut:
                carry = _bounded(carry, whole)
                continue
            first = whole.index(b"\n")
            body = _bounded(carry, whole[:first]) + whole[first:cut]
            carry = whole[cut:]
            block = Block.of(self._mended(body), line)
            line += block.lines
            yield block
        if carry or held:
            yield Block.of(self._mended(carry + b"\n"), line)

    def _utf8(self, size: int) -> Iterator[bytes]:
        """The file's bytes without a mark; as UTF-8 where the encoding is known to be another."""
        with self.path.open("rb") as stream:
            start = stream.read(4)
            stream.seek(0)
            encoding = self.encoding
            if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
                encoding = encoding or "utf-16"
            decoder = None
            try:
                if encoding is not None and codecs.lookup(encoding).name not in _UTF8:
                    decoder = codecs.getincrementaldecoder(encoding)()
            except (LookupError, ValueError):
                raise LogError(
                    f"{encoding!r} is no encoding of text.", column="[log] encoding", hint="Correct it or leave it out."
                ) from None
            first = True
            while block := stream.read(size):
                self._digest.update(block)
                if decoder is not None:
                    yield self._decoded(decoder, block, str(encoding))
                else:
                    yield block.removeprefix(codecs.BOM_UTF8) if first else block
                first = False
            if decoder is not None:
                yield self._decoded(decoder, b"", str(encoding), final=True)

    def _decoded(
        self, decoder: codecs.IncrementalDecoder, block: bytes, encoding: str, *, final: bool = False
    ) -> bytes:
        try:
            return decoder.decode(block, final).lstrip("\ufeff").encode("utf-8")
        except (UnicodeError, TypeError, AttributeError) as error:  # the last two: codecs that do not make text
            raise LogError(
                f"is not {encoding} text: {error}.",
                file=file_name(self.path),
                hint="Correct or leave out [log] encoding.",
            ) from error

    def _mended(self, data: bytes) -> bytes:
        """Line by line UTF-8, else Windows-1252, else Latin-1: exports glued together from two programs exist."""
        if data.isascii():
            return data
        try:
            data.decode("utf-8")
        except UnicodeDecodeError:
            pass
        else:
            self._mixed = True
            return data
        out = []
        for line in data.split(b"\n"):
            try:
                line.decode("utf-8")
                self._mixed = self._mixed or not line.isascii()
            except UnicodeDecodeError:
                self._foreign += 1
                try:
                    line = line.decode("cp1252").encode()  # noqa: PLW2901  # as above
                except UnicodeDecodeError:
                    line = line.decode("latin-1").encode()  # noqa: PLW2901
            out.append(line)
        return b"\n".join(out)


def _bounded(carry: bytes, more: bytes) -> bytes:
    """Part of a line with what follows it; of one that is too long only its beginning, marked as such."""
    if carry.startswith(TOO_LONG):
        return carry
    whole = carry + more
    return _shortened(whole) if len(whole) > MOST_LINE_BYTES else whole
