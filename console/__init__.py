"""wakeline: a serial bring-up console. `console.cli` is the command line, `console.session` the only door
to a port.
"""

__version__ = "0.1.0"
