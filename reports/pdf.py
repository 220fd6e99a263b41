"""HTML to PDF: the one module that knows the layout engine, which is slow to load.

Whoever has no paper to make does without it: it is imported where one is set, and by a worker
before its children are forked.

What comes out is PDF/A-3a (ISO 19005-3, for keeping) and PDF/UA-1 (ISO 14289-1, for everybody) at
once: fonts embedded, tagged, readable without the network. Nothing is fetched from anywhere; what
a paper shows must be in its HTML. The same HTML, moment and files give the same bytes: no clock is
read, so a paper can be known by its digest.
"""

from __future__ import annotations

import base64
import datetime
import logging
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from importlib.resources import files
from io import BytesIO
from typing import Any, Final

import pydyf  # type: ignore[import-untyped]
from weasyprint import CSS, HTML, Attachment
from weasyprint.css import ColorProfile
from weasyprint.text.fonts import FontConfiguration
from weasyprint.urls import FatalURLFetchingError, URLFetcher

from reports.embedded import EmbeddedFile

_CLOSING: Final = b"</rdf:RDF>"
_STREAM: Final = b">>\nstream\n"
_END_STREAM: Final = b"\nendstream"


class NotInlineError(ValueError):
    """A paper asked for something that is not in its HTML."""


class NotDrawnError(ValueError):
    """Something in the HTML could not be drawn, so the paper would lack it."""


class _InlineOnly(URLFetcher):  # type: ignore[misc]  # the engine has no types
    """Opens data: addresses and nothing else."""

    def fetch(self, url: str, headers: Any = None) -> Any:
        """Return what a data: address holds."""
        if not url.startswith("data:"):
            raise FatalURLFetchingError(f"not inline: {url[:80]}")
        return super().fetch(url, headers)


class _Kept(threading.local):
    """What a thread makes once for all its papers, instead of some 45 ms for each.

    The fonts of the machine as looked up, and style sheets as parsed with them.
    """

    def __init__(self) -> None:
        self.fonts = FontConfiguration()
        self._sheets: dict[str, CSS] = {}

    def sheet(self, style: str) -> CSS:
        """Return a style sheet as parsed."""
        if style not in self._sheets:
            self._sheets[style] = CSS(
                string=style, url_fetcher=_InlineOnly(), font_config=self.fonts
            )
        return self._sheets[style]


_kept = _Kept()


class _Complaints(logging.Handler):
    """Hears what the engine could not draw; it says so in its log and goes on without."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.heard: list[str] = []
        self._thread = threading.get_ident()

    def emit(self, record: logging.LogRecord) -> None:
        """Keep what was said in the thread that listens."""
        if record.thread == self._thread:
            self.heard.append(record.getMessage())


@contextmanager
def _complete() -> Iterator[None]:
    """Raise where anything was left out, for a paper must not lack a chart."""
    complaints, engine = _Complaints(), logging.getLogger("weasyprint")
    engine.addHandler(complaints)
    try:
        yield
    except FatalURLFetchingError as error:
        raise NotInlineError(str(error)) from error
    finally:
        engine.removeHandler(complaints)
    if complaints.heard:
        raise NotDrawnError("; ".join(complaints.heard)[:500])


def to_pdf(
    drafts: Iterable[str],
    *,
    stated_at: datetime.datetime,
    style: str = "",
    most_pages: int = 0,
    embedded: Sequence[EmbeddedFile] = (),
) -> bytes:
    """Turn HTML into PDF/A-3a and PDF/UA-1.

    Parameters
    ----------
    drafts : iterable of str
        The same paper from roomy to tight, each a whole HTML document with ``lang`` and
        ``<title>``, images as data: addresses with ``alt``. The first that fits is taken; where
        none fits, the first.
    stated_at : datetime
        The moment the paper speaks for, with time zone; it stands in the PDF as its date.
    style : str
        The style sheet that many papers share, parsed once. Any rule in the HTML wins over it.
    most_pages : int
        Pages that a draft may fill; 0 takes the first draft.
    embedded : sequence of EmbeddedFile
        Files to put inside.

    Raises
    ------
    NotInlineError
        Where the HTML asks for anything that is not in it.
    NotDrawnError
        Where the engine could not draw something, such as a damaged image.
    """
    moment = stated_at.astimezone(datetime.UTC)
    with _complete():
        document = _laid_out(drafts, style, most_pages)
        document.metadata.created = document.metadata.modified = f"{moment:%Y-%m-%dT%H:%M:%SZ}"
        pdf: bytes = document.write_pdf(
            finisher=_finished,
            pdf_variant="pdf/a-3a",
            output_intent="given",  # `_colours`; of its own the engine leaves the file open
            uncompressed_pdf=True,  # compressed by the finisher
            attachments=[_attachment(one, moment) for one in embedded],
        )
    return pdf


def _laid_out(drafts: Iterable[str], style: str, most_pages: int) -> Any:
    """Lay out the first draft that fits, else the first."""
    first = None
    for html in drafts:
        document = HTML(string=html, url_fetcher=_InlineOnly()).render(
            font_config=_kept.fonts,
            stylesheets=[_kept.sheet(style)],
            pdf_variant="pdf/a-3a",
            color_profiles={"srgb": _colours()},
        )
        first = first or document
        if not most_pages or len(document.pages) <= most_pages:
            return document
    assert first is not None, "there is no draft"
    return first


def _attachment(one: EmbeddedFile, moment: datetime.datetime) -> Attachment:
    return Attachment(
        string=one.data,
        name=one.name,
        description=one.description,
        created=moment,
        modified=moment,
        relationship="Data",
        url_fetcher=_InlineOnly(),
    )


def _colours() -> Any:
    """Return what the colours of a paper mean: sRGB."""
    profile = BytesIO(_asset("weasyprint.pdf", "sRGB2014.icc"))
    return ColorProfile(profile, "sRGB2014.icc", "relative-colorimetric", ("r", "g", "b"))


def _finished(_document: Any, pdf: Any) -> None:
    """Claim PDF/UA-1 besides PDF/A-3a in the metadata, and compress all but those.

    The engine writes the metadata of one standard only. They have to stay plain to be found
    (ISO 19005-3, 6.6.2.1, from memory; a rule of the validator).
    """
    metadata = pdf.objects[int(pdf.catalog["Metadata"].split()[0])]
    claims = _asset("reports", "assets/pdfua.xmp")
    metadata.stream = [b"\n".join(metadata.stream).replace(_CLOSING, claims + _CLOSING, 1)]
    if "AF" in pdf.catalog:  # the engine lists each file twice
        pdf.catalog["AF"] = pydyf.Array(dict.fromkeys(pdf.catalog["AF"]))
    for one in pdf.objects:
        if isinstance(one, pydyf.Stream) and one is not metadata:
            _compress(one)


def _compress(stream: Any) -> None:
    """Compress a stream so that it cannot end in a line break.

    Before the closing keyword stands a line break that does not count to the length. Where the
    data end in one of their own, readers disagree about which it is.
    """
    stream.compress = True
    written: bytes = stream.data
    packed = written[written.index(_STREAM) + len(_STREAM) : -len(_END_STREAM)]
    filters = ["/FlateDecode"]
    if packed[-1:] in (b"\r", b"\n"):
        packed = base64.a85encode(packed) + b"~>"
        filters.insert(0, "/ASCII85Decode")
    stream.compress = False
    stream.stream = [packed]
    stream.extra["Filter"] = pydyf.Array(filters)


@cache
def _asset(package: str, path: str) -> bytes:
    return files(package).joinpath(path).read_bytes()
