"""Driving a port: conversations, stages, attempts.

`session.session.Session` is the only door for screens and commands.
"""
