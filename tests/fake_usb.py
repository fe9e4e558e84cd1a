"""A USB tree and a kernel log of our own making, in files as Linux lays them out.

The layout: the kernel's Documentation/ABI/testing/sysfs-bus-usb; where drivers hang their ttys: cdc-acm.c and
usb-serial/bus.c (kernel 6.1). The log's records: Documentation/ABI/testing/dev-kmsg.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from console.link.plug_watch import PlugWatch


class FakeUsb:
    """Devices to plug and unplug. `log` false: this user may not read the log; `tree` false: there is no tree."""

    def __init__(self, root: Path, *, tree: bool = True, log: bool = True) -> None:
        self.devices = root / "devices"
        self.drivers = root / "drivers"
        self.dev = root / "dev"
        self.kmsg = root / "kmsg"
        self._sequence = 100
        self.drivers.mkdir(parents=True)
        self.dev.mkdir()
        if tree:
            (self.devices / "usb1").mkdir(parents=True)  # the computer's own root hub is no device of ours
            (self.devices / "1-0:1.0").mkdir()
        if log:
            self.kmsg.write_text("6,99,1,-;usb 1-9: device descriptor read/64, error -71\n")  # before our time

    def watch(self) -> PlugWatch:
        """A watch over this tree and log."""
        return PlugWatch(tree=self.devices, kmsg=self.kmsg, dev=self.dev, lister=list)

    def plug(self, place: str = "1-2", number: int = 5, *, driver: str = "", tty: str = "", **files: str) -> None:
        """Plug a device in; `files` replace what its descriptor says."""
        folder, interface = self.devices / place, self.devices / f"{place}:1.0"
        folder.mkdir()
        interface.mkdir()
        # 1209:0001 is a test id of the pid.codes list
        content = {"idVendor": "1209", "idProduct": "0001", "product": "Tern bridge", "manufacturer": "flood watch",
                   "serial": "T7", "speed": "12", "devnum": str(number), "bDeviceClass": "00"}  # fmt: skip
        for name, value in (content | files).items():
            (folder / name).write_text(value + "\n", encoding="utf-8")
        if driver:
            (self.drivers / driver).mkdir(exist_ok=True)
            (interface / "driver").symlink_to(self.drivers / driver)
        if tty:
            place_of_tty = interface / "tty" if tty.startswith("ttyACM") else interface / tty / "tty"
            (place_of_tty / tty).mkdir(parents=True)
            (self.dev / tty).touch()

    def unplug(self, place: str = "1-2") -> None:
        """Pull it out."""
        for folder in self.devices.glob(f"{place}:*"):
            for tty in (*folder.glob("tty/*"), *folder.glob("*/tty/*")):
                (self.dev / tty.name).unlink(missing_ok=True)
            shutil.rmtree(folder)
        shutil.rmtree(self.devices / place)

    def say(self, *texts: str, level: int = 6) -> None:
        """The kernel says something."""
        with self.kmsg.open("a", encoding="utf-8") as stream:
            for text in texts:
                self._sequence += 1
                stream.write(f"{level},{self._sequence},{self._sequence * 1000},-;{text}\n SUBSYSTEM=usb\n")
