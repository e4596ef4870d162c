"""Coverage-guided fuzzing of the decoders: whatever the bytes are, readings or a PayloadError, in bounded time.

By hand, with the extra `fuzz` installed:  python tests/fuzz/fuzz_decode.py -max_total_time=60
The first byte chooses the content type; the rest is the payload. Other options are those of libFuzzer.
"""

import sys
import time
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parents[2]))
with atheris.instrument_imports(include=["ingest.decode", "ingest.senml", "ingest.contract"]):
    from ingest.contract import PAYLOAD_MAX_BYTES, READINGS_MAX, PayloadError, Reading
    from ingest.decode import SENML_CBOR, SENML_JSON, decode

CONTENT_TYPES = (None, SENML_JSON, SENML_CBOR, "text/plain")
SEEDS = (
    b'\x00{"t": 1767225600, "storage_v": 3.412, "wakes": 18342, "loaded_v": 3.391, "temp_c": 21.5, "boot": 3}',
    b'\x00[{"storage_v": 3.4, "wakes": 1}, {"storage_v": 3.5, "wakes": 2}]',
    b'\x01[{"bn":"mf-001:","bt":1767225600,"n":"storage","u":"V","v":3.4},{"n":"wakes","u":"count","v":5}]',
    b"\x02\x82\xa4\x21\x66mf-001\x00\x67storage\x01\x61V\x02\xfb\x40\x0b\x33\x33\x33\x33\x33\x33\xa2\x00\x65wakes\x02\x05",
)
SECONDS_MAX = 2.0


def one_input(data: bytes) -> None:
    """Decode one payload; anything but readings or a PayloadError, soon, is a fault."""
    started = time.monotonic()
    faults: list[PayloadError] = []
    readings: list[Reading] = []
    try:
        readings = decode(data[1:], CONTENT_TYPES[data[0] % 4] if data else None, "mf-001", 1.8e9, faults)
    except PayloadError as error:
        faults.append(error)
    assert len(readings) <= READINGS_MAX
    assert all(type(reading) is Reading for reading in readings)
    assert all(0 < len(fault.detail) < 1_000 and "\n" not in fault.detail for fault in faults)
    assert time.monotonic() - started < SECONDS_MAX


def main() -> None:
    """Fuzz from the examples of the contract on."""
    corpus = Path(sys.argv[-1]) if len(sys.argv) > 1 and not sys.argv[-1].startswith("-") else None
    if corpus is not None:
        corpus.mkdir(exist_ok=True)
        for place, seed in enumerate(SEEDS):
            (corpus / f"seed-{place}").write_bytes(seed)
    atheris.Setup([*sys.argv[:1], f"-max_len={PAYLOAD_MAX_BYTES}", *sys.argv[1:]], one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
