"""Reports for a person who was not there: one pure model, drawn as a self-contained page or as plain text.

Belongs here: what a session's fold and marks say, put in order and into words, and the two renderings. No files,
no ports. Strings in the model may be of any origin: each rendering passes every one through `console.text`.
"""
