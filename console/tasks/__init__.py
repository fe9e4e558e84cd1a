"""What can be done to a chip's memory, step by step, for the commands and the screens alike; knows no terminal."""
