"""How long the chip may take for what, in seconds; the slowest documented one where chips differ."""

from __future__ import annotations

from typing import Final

# AN2606 Rev 70 s.101.2: two characters and at most 105 ms of configuration (F105/107 with PA9 high)
SYNC_S: Final = 0.25
# no time is documented for plain answers; the loader only polls its USART (common practice, no source)
ANSWER_S: Final = 0.1
# how long a second ACK or NACK may trail the first: the loader sends them back to back (no source)
TRAIL_S: Final = 0.01
# DS8626 Rev 12 Table 40: one 128 KB sector at x8 takes up to 4 s, the whole flash up to 32 s
PAGE_ERASE_S: Final = 4.0
MASS_ERASE_S: Final = 32.0
# DS10668 Rev 6 Table 46: 64 words of 3.94 ms are the slowest 256 bytes
PROGRAM_S: Final = 0.3
# DS5319 Rev 20 Table 28: option bytes are erased and programmed like a page; sector devices up to 4 s
OPTION_S: Final = 4.0
# words at some MHz through the CRC unit; no time is documented
CHECKSUM_S: Final = 2.0
