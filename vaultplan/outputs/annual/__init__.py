"""The yearly report as a PDF and a workbook."""
