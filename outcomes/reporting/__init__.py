"""Figures, tables, sentences, workbook, documents, provenance, and the running of notebooks."""
