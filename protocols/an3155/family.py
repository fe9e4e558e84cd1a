"""AN3155 as a protocol family: what the console may ask of it. Loads the host; the simulated chip never does."""

from __future__ import annotations

from typing import Final

from protocols.an3155 import contact, frames
from protocols.an3155.observer import An3155Observer
from protocols.an3155.products import PRODUCTS
from protocols.an3155.programmer import programmer
from protocols.family import Family
from protocols.uart import EIGHT_E_ONE

FAMILY: Final = Family(
    name="an3155",
    title="boot ROM over USART (AN3155)",
    source="AN3155 Rev 20, AN2606 Rev 70",
    baud=115200,
    frame=EIGHT_E_ONE,
    observer=An3155Observer,
    sync=contact.sync,
    identify=contact.identify,
    programmer=programmer,
    telling=bytes((frames.SYNC, frames.ACK, frames.NACK)),
    products=PRODUCTS,
)
