"""The kernel's lines about a plug, as drivers/usb/core of kernel 6.1.192 prints them."""

from __future__ import annotations

import errno

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.kernel_words import ERRORS, OTHER_KINDS, understand
from console.causes.plug_table import SIGNS
from console.usb import KernelLine


def said(text):
    return understand(KernelLine(6, 1, 0.0, text))


# format strings of kernel 6.1.192, filled in: hub.c (hub_port_init, hub_port_connect, port_event, hub_event,
# usb_disconnect, announce_device, hub_power_remaining's callers), config.c, generic.c, devio.c; the place before the
# colon is dev_printk's "DRIVER DEVICE: " with the names of usb_alloc_dev ("1-1.2") and port.c ("usb1-port2")
@pytest.mark.parametrize(
    ("text", "kind", "place"),
    [
        ("usb 1-2: new full-speed USB device number 5 using xhci_hcd", "attached", "1-2"),
        ("usb 1-1.4: new low-speed USB device number 12 using ehci-pci", "low-speed", "1-1.4"),
        ("usb 2-1: new SuperSpeed Plus Gen 2x1 USB device number 2 using xhci_hcd", "attached", "2-1"),
        ("usb 1-2: New USB device found, idVendor=1209, idProduct=0001, bcdDevice= 1.00", "found", "1-2"),
        ("usb 1-2: USB disconnect, device number 5", "left", "1-2"),
        ("usb 1-2: device descriptor read/64, error -71", "no-reply", "1-2"),
        ("usb 1-2: device descriptor read/8, error -110", "timeout", "1-2"),
        ("usb 1-2: device descriptor read/all, error -32", "stall", "1-2"),
        ("usb 1-2: device descriptor read/64, error -84", "no-reply", "1-2"),
        ("usb 1-2: device not accepting address 6, error -71", "no-reply", "1-2"),
        ("usb 1-2: device not accepting address 6, error -22", "error", "1-2"),
        ("usb 1-2: unable to read config index 0 descriptor/start: -71", "no-reply", "1-2"),
        ("usb 1-2: can't read configurations, error -110", "timeout", "1-2"),
        ("usb 1-2: can't set config #1, error -32", "stall", "1-2"),
        ("usb usb1-port2: Cannot enable. Maybe the USB cable is bad?", "cannot-enable", "1-2"),
        ("usb 1-1-port4: unable to enumerate USB device", "gave-up", "1-1.4"),
        ("usb usb1-port2: connect-debounce failed", "unsteady", "1-2"),
        ("usb usb1-port2: disabled by hub (EMI?), re-enabling...", "unsteady", "1-2"),
        ("usb usb1-port2: over-current condition", "over-current", "1-2"),
        ("hub 1-0:1.0: over-current condition", "over-current", ""),  # a whole hub, no socket
        ("hub 1-1:1.0: over-current condition", "over-current", ""),
        ("usb 1-1.2: rejected 1 configuration due to insufficient available bus power", "power-refused", "1-1.2"),
        ("usb 1-2: usbfs: interface 0 claimed by ch341 while 'somebody' sets config #1", "taken", "1-2"),
    ],
)
def test_lines_of_the_kernel(text, kind, place):
    found = said(text)
    assert found is not None
    assert (found.kind, found.place) == (kind, place)


def test_the_number_of_the_device_is_kept():
    assert said("usb 1-2: new full-speed USB device number 5 using xhci_hcd").number == 5
    assert said("usb 1-2: USB disconnect, device number 7").number == 7


def test_error_numbers_are_those_of_linux():
    for number, (name, sign, words) in ERRORS.items():
        assert errno.errorcode[number] == name  # Python's table of the system's <errno.h>
        assert sign in SIGNS
        assert words
    for number, name in ((71, "EPROTO"), (110, "ETIMEDOUT"), (32, "EPIPE")):
        assert f"-{number} {name}" in said(f"usb 1-2: device descriptor read/64, error -{number}").words


@pytest.mark.parametrize(
    "text",
    [
        # announce_device quotes the device's own names behind words of the kernel's own
        "usb 1-2: Product: device descriptor read/64, error -71",
        "usb 1-2: Manufacturer: over-current condition",
        "usb 1-2: SerialNumber: USB disconnect, device number 5",
        "usb 1-2: device descriptor read/64, error -71 and more",
        "hid-generic 0003:1209:0001.0001: input: USB HID v1.10 Keyboard [usb 1-2: USB disconnect, device number 5]",
        "NET: Registered protocol family 10",
        "",
    ],
)
def test_what_a_device_calls_itself_is_no_evidence(text):
    assert said(text) is None


@given(st.text(max_size=80), st.sampled_from(["", "usb 1-2: ", "usb usb1-port2: ", "hub 1-1:1.0: "]))
def test_any_text_is_understood_or_not_and_never_more(text, head):
    found = said(head + text)
    assert found is None or found.kind in (*SIGNS, *OTHER_KINDS)
