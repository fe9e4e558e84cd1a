"""Firmware images: what a file holds, and whether it fits a chip. No ports, no clock, no terminal."""
