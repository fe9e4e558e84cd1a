"""Ports: finding them, opening them, and what the line says beside its bytes.

All serial I/O of the console lives here."""
