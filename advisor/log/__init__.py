"""The job log: events, check items, rows, header, the append-only file, and what checks say about the setup."""
