"""The bench's memory: boards, sessions, what was wrong and what fixed it, in one SQLite file of the user's own.

`entry`, `statistics` and `export` are pure; only `store` touches the database, and only `place` looks for the file.
"""
