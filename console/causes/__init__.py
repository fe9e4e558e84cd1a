"""From what was observed to what is most likely wrong and what to check next.

Pure: no port, no clock, no peeking at a staged fault.
"""
