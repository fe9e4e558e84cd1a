"""Sessions on disk: captures in an open format, their replay, and the readable record. Files are touched only here."""
