"""Text tables: comma, semicolon or tab; point or comma decimals; UTF-8 or Windows-1252; LF or CRLF.

The file is read in pieces cut at line ends. polars parses a piece (`fast`); where it fails, or where the count of
separators shows that a line is too long or too short, the piece is read once more cell by cell (`careful`), which
either succeeds or names the line and the column. So the common case is fast and every error is exact.
"""

from __future__ import annotations

from pathlib import Path

from analysis.readers.csv.layout import read_layout
from analysis.readers.csv.reading import read_table
from analysis.tables import Opened


class TextReader:
    """Text tables: comma, semicolon or tab."""

    suffixes: tuple[str, ...] = (".csv", ".tsv", ".txt", ".dat")

    def matches(self, head: bytes) -> bool:
        """Whether it can be a text table: what is left when the binary formats have been told apart."""
        return b"\0" not in head

    def open(self, path: Path, *, file: str) -> Opened:
        layout = read_layout(path, file=file)
        return Opened(file, layout.headings, lambda wanted: read_table(path, layout=layout, wanted=wanted))
