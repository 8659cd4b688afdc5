"""The report of a result: folder, page, PDF."""
