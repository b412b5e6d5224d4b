"""How long the answer usable / retake takes for one photo of 4032 x 3024, against decoding it in the same run.

Run by hand: python tests/bench/retake.py. Processor seconds are told beside those of the clock, since a busy machine
stretches only the latter. The sample photos are enlarged: what is timed does not depend on their sharpness.
"""

import time
from pathlib import Path

import cv2
import numpy as np

from qc.card import find_card
from qc.drawing import draw_seen
from qc.finder import find
from qc.photo import read_photo
from qc.retake import check_photo

FOLDER = Path(__file__).parents[2] / "sample_images" / "cream-dollops"
ROUNDS = 6
SHOWN_PX = 600  # as on the page


def main() -> None:
    """Print the medians of each step."""
    for name in ("top", "side", "side2"):
        small = cv2.imread(str(FOLDER / f"{name}.jpg"))
        large = cv2.resize(small, (4032, 3024), interpolation=cv2.INTER_CUBIC).astype(float)
        noisy = np.clip(large + np.random.default_rng(0).normal(0, 2, large.shape), 0, 255).astype(np.uint8)
        data = cv2.imencode(".jpg", noisy, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()
        for clock, words in ((time.process_time, "processor"), (time.perf_counter, "clock")):
            rows = np.median([one_round(data, name, clock) for _ in range(ROUNDS)], axis=0)
            decode, card, finder, rest = rows
            total = card + finder + rest
            print(
                f"{name}, {words}: decoding {decode:.3f} s; card {card:.3f}, network {finder:.3f}, answer and outline "
                f"{rest:.3f}: {total:.3f} s, {total / decode:.1f} times the decoding"
            )


def one_round(data, name, clock):
    """Seconds of decoding, card, network, answer with the outline drawn."""
    t = [clock()]
    photo = read_photo(data, name)
    t.append(clock())
    card = find_card(photo)
    t.append(clock())
    finding = find(photo.pixels)
    t.append(clock())
    check_photo(photo, name, card, finding)
    draw_seen(photo, finding, card, SHOWN_PX)
    t.append(clock())
    return np.diff(t)


if __name__ == "__main__":
    main()
