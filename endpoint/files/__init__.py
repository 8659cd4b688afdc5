"""Files of every kind: tables, cells of records, kept results and output folders."""
