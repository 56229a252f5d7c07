"""Any report page as a PDF: the page says what is there, this package how it is printed."""

from ._write import PAPERS, Pdf, pdf_of, write_pdf

__all__ = ["PAPERS", "Pdf", "pdf_of", "write_pdf"]
