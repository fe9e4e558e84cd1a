"""The terminal screens: they render snapshots and send commands, and decide nothing about a board."""
