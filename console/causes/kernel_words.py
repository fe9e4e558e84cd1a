"""What the kernel's lines about a plug mean, in a person's words.

The texts are those of kernel 6.1.192: drivers/usb/core/hub.c, config.c, generic.c and devio.c. A line counts only as
a whole: names that a device gives itself are quoted in the log too, behind words of the kernel's own.
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from console.usb import KernelLine


class Said(NamedTuple):
    """A line understood. `kind` is a sign of `plug.toml`, or one of OTHER_KINDS; `place` the socket, "" if unknown.

    `number` is the device's address on the bus where the line names it.
    """

    kind: str
    place: str
    words: str
    number: int = 0


OTHER_KINDS: Final = ("attached", "found", "left", "gave-up", "taken", "error")
# the numbers are Linux's; the meaning on USB: the kernel's Documentation/driver-api/usb/error-codes.rst
ERRORS: Final = {
    32: ("EPIPE", "stall", "the device refused (stall)"),
    62: ("ETIME", "no-reply", "no reply within the bus's own time"),
    71: ("EPROTO", "no-reply", "no reply, or one that was garbled on the wire"),
    75: ("EOVERFLOW", "no-reply", "more came than a packet may hold"),
    84: ("EILSEQ", "no-reply", "no reply, or one with a wrong checksum"),
    110: ("ETIMEDOUT", "timeout", "no reply before the time ran out"),
}
_ERROR: Final = r"(?:error |: )-(?P<error>\d{1,4})"
_LINES: Final = tuple(
    (kind, re.compile(pattern), words)
    for kind, pattern, words in (
        (
            "attached",
            r"new (?P<speed>[a-zA-Z+-]{1,24}|SuperSpeed[ \w]{0,24}) USB device number (?P<number>\d{1,4})"
            r" using [\w.-]{1,40}",
            "noticed: {speed} device",
        ),
        ("found", r"New USB device found, idVendor=(?P<ids>[0-9a-f]{4}, idProduct=[0-9a-f]{4}).*", "it told its ids"),
        ("left", r"USB disconnect, device number (?P<number>\d{1,4})", "it went off the bus"),
        ("", rf"device descriptor read/(?:64|8|all), {_ERROR}", "asked what it is"),
        ("", rf"device not accepting address \d{{1,4}}, {_ERROR}", "gave it an address"),
        ("timeout", r"Device not responding to setup address\.", "gave it an address: no reply"),
        ("", rf"unable to read config index \d+ descriptor/\w+{_ERROR}", "asked what it can do"),
        ("", rf"can't (?:read configurations|set config #\d+), {_ERROR}", "could not be set up"),
        (
            "cannot-enable",
            r"Cannot enable\. Maybe the USB cable is bad\?",
            "the socket could not be switched on for it",
        ),
        ("unsteady", r"connect-debounce failed", "the contact did not come to rest"),
        ("unsteady", r"disabled by hub \(EMI\?\), re-enabling\.\.\.", "the hub switched it off: disturbed"),
        ("gave-up", r"unable to enumerate USB device", "the kernel gave up on it"),
        ("over-current", r"over-current (?:condition|change.*)", "too much current"),
        (
            "power-refused",
            r"(?:rejected \d+ configurations? due to insufficient available bus power|\d+mA (?:is )?over .*budget!)",
            "not enough current at this socket",
        ),
        (
            "taken",
            r"usbfs: interface \d+ claimed by (?P<driver>[\w-]{1,40}) while '(?P<program>.{1,40})' (?:sets|resets) .*",
            "the program {program} took it away from the driver",
        ),
    )
)  # "Device not responding" is in drivers/usb/host/xhci.c: from memory
_PLACE: Final = re.compile(
    r"(?:usb (?:usb(?P<bus>\d{1,3})|(?P<hub>\d{1,3}-\d{1,3}(?:\.\d{1,3})*))-port(?P<port>\d{1,3})"
    r"|usb (?P<device>\d{1,3}-\d{1,3}(?:\.\d{1,3})*)|hub (?P<whole>\d{1,3}-\d{1,3}(?:\.\d{1,3})*):\d+\.\d+): "
)


def understand(line: KernelLine) -> Said | None:
    """What the line says about a plug; None for every other line."""
    head = _PLACE.match(line.text)
    if head is None:
        return None
    place = head["device"] or ""
    if head["port"] is not None:
        place = f"{head['bus']}-{head['port']}" if head["bus"] else f"{head['hub']}.{head['port']}"
    text = line.text[head.end() :]
    for kind, pattern, words in _LINES:
        found = pattern.fullmatch(text)
        if found is not None:
            parts = {name: value for name, value in found.groupdict().items() if value is not None}
            number = int(parts.get("number", 0))
            if "error" in parts:
                name, kind, meaning = ERRORS.get(int(parts["error"]), ("", "error", "an error"))
                code = f"-{parts['error']}" + (f" {name}" if name else "")
                return Said(kind, place, f"{words}: {meaning} ({code})", number)
            if parts.get("speed", "").lower() == "low-speed":
                kind = "low-speed"
            return Said(kind, place, words.format(**parts), number)
    return None
