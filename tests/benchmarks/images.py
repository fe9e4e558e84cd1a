"""How fast firmware files are read, against a general library (bincopy) and the program srec_cat, in one run.

Run: python tests/benchmarks/images.py [MiB of image]   (JSON on standard output; medians of rounds taken alternately)
"""

from __future__ import annotations

import json
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import bincopy

from console.images.load import parse_image

ROUNDS = 7
START = 0x0800_0000


def seconds(work: Callable[[], object]) -> float:
    """Wall time of one call."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def main() -> None:
    """Measure and print."""
    size = int(float(sys.argv[1] if len(sys.argv) > 1 else 1) * (1 << 20))
    binary = bincopy.BinFile()
    binary.add_binary(random.Random(1).randbytes(size), address=START)
    # 16 bytes in a record is what linkers' tools write by default, so it is the slow and the usual case
    files = {"intel-hex": binary.as_ihex(16), "s-record": binary.as_srec(16)}
    result: dict[str, object] = {"image_bytes": size, "rounds": ROUNDS}
    with tempfile.TemporaryDirectory() as folder:
        for name, text in files.items():
            data, path = text.encode(), Path(folder, name)
            path.write_bytes(data)
            option = "-Intel" if name == "intel-hex" else "-Motorola"
            command = ["srec_cat", str(path), option, "-o", str(Path(folder, "out")), "-Binary"]
            ours, library, program = [], [], []
            for _ in range(ROUNDS):
                ours.append(seconds(lambda data=data, name=name: parse_image(data, name)))  # type: ignore[misc]
                library.append(seconds(lambda text=text: bincopy.BinFile().add(text)))  # type: ignore[misc]
                program.append(
                    seconds(lambda command=command: subprocess.run(command, check=True, stderr=subprocess.DEVNULL))
                )  # type: ignore[misc]
            median = statistics.median(ours)
            result[name] = {
                "megabytes_of_file_per_s": round(len(data) / 1e6 / median, 1),
                "library_time_over_ours": round(statistics.median(library) / median, 2),
                "srec_cat_time_over_ours": round(statistics.median(program) / median, 2),
            }
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
