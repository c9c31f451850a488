"""What the owner gets: the report of a job as PDF or as one HTML page.

In: an open job. Out: bytes or text, or a file by its ending.
"""

from __future__ import annotations

from pathlib import Path

from bench.export import write_whole
from bench.job import OpenJob
from bench.report_data import gather


def report_pdf(job: OpenJob) -> bytes:
    """Report of a job as PDF."""
    from bench.report_pdf import pdf_of

    return pdf_of(gather(job))


def report_html(job: OpenJob) -> str:
    """Report of a job as one HTML page."""
    from bench.report_html import html_of

    return html_of(gather(job))


def write_report(job: OpenJob, path: Path) -> None:
    """Write the report; the ending (.pdf or .html) says which kind."""
    ending = path.suffix.lower()
    if ending == ".pdf":
        write_whole(path, report_pdf(job))
    elif ending in (".html", ".htm"):
        write_whole(path, report_html(job).encode("utf-8"))
    else:
        raise ValueError(f"report file: got {path.name!r}, allowed a name ending in .pdf or .html")
