"""HTML → PDF, tagged, without a browser."""

from loganalyzer.errors import UsageError


def pdf(page: str) -> bytes:
    """The pages of an HTML document.

    Raises:
        UsageError: The system lacks the library that lays text out.
    """
    try:
        from weasyprint import HTML, URLFetcher  # heavy, and its system library is not everywhere
    except OSError as error:
        raise UsageError(
            "the PDF", f"no Pango library on this system ({str(error).splitlines()[0]})",
            "Pango 1.44 or newer",
            "Install it (Debian: apt install libpangoft2-1.0-0; macOS: brew install pango), or "
            "print the HTML file from a browser, which gives the same pages",
        ) from None  # fmt: skip
    inside = URLFetcher(allowed_protocols=("data",))  # a page carries what it needs in itself
    made: bytes = HTML(string=page, url_fetcher=inside).write_pdf(pdf_tags=True)
    return made
