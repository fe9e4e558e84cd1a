"""Programming a chip safely: what is known of each chip, and the steps that erase, write and verify it."""
