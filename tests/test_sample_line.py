"""The sample clock without a device: holes are found, filled and told, and nothing else is taken for one."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.audio.sample_line import Block, Heard, Lost, Raw, Recovered, SampleLine

RATE = 16_000
BLOCK = 400


def raw(index: int, *, late: float = 0.0, frames: int = BLOCK, rate: int = RATE, lost: int = 0) -> Raw:
    """Block number ``index`` of equal ones, arrived when it is complete and so much later; time begins at 100 s."""
    samples = np.full((frames, 1), index % 1000 + 1, dtype=np.int16)
    return Raw(samples, 100 + (index + 1) * frames / rate + late, lost)


def run(line: SampleLine, blocks: Iterable[Raw]) -> list[Heard]:
    return [heard for block in blocks for heard in line.feed(block)]


def told(heard: Iterable[Heard]) -> list[Heard]:
    return [one for one in heard if not isinstance(one, Block)]


def sound(heard: Iterable[Heard]) -> list[Block]:
    blocks = [one for one in heard if isinstance(one, Block)]
    end = blocks[0].start_sample
    for block in blocks:
        assert block.start_sample == end
        end += len(block.samples)
    return blocks


def opened(rate: int = RATE) -> SampleLine:
    line = SampleLine()
    line.open(rate)
    return line


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([8_000, 16_000, 44_100, 48_000]),
    st.lists(st.tuples(st.integers(1, 3000), st.sampled_from([0, 0, 0, 1, 700, 70_000])), min_size=1, max_size=20),
)
def test_whatever_is_lost_blocks_follow_each_other_and_none_is_missing(
    rate: int, pieces: list[tuple[int, int]]
) -> None:
    line = opened(rate)
    heard: list[Heard] = []
    frames = 0
    for size, lost in pieces:
        frames += lost + size
        heard += line.feed(Raw(np.zeros((size, 1), dtype=np.int16), 100 + frames / rate, lost))
    heard += line.close()
    if any(isinstance(one, Block) for one in heard):
        assert sound(heard)[0].start_sample == 0
    assert abs(line.count - frames * RATE / rate) <= 2 * len(pieces)
    padding = sum(len(block.samples) for block in heard if isinstance(block, Block) and block.padding)
    assert padding == sum(one.samples for one in heard if isinstance(one, Lost))


def test_a_full_queue_is_padded_at_its_place() -> None:
    heard = run(opened(), [raw(0), raw(3, lost=2 * BLOCK)])
    assert told(heard) == [Lost(2 * BLOCK, BLOCK)]
    assert [(block.start_sample, len(block.samples), block.padding) for block in sound(heard)] == [
        (0, BLOCK, False),
        (BLOCK, 2 * BLOCK, True),
        (3 * BLOCK, BLOCK, False),
    ]


def test_sound_that_the_device_dropped_is_found_by_the_wall_clock() -> None:
    line = opened()
    heard = run(line, [raw(index, late=0.25 if index >= 200 else 0.0) for index in range(400)])
    (lost,) = told(heard)
    assert isinstance(lost, Lost)
    assert lost.samples == pytest.approx(0.25 * RATE, abs=0.01 * RATE)
    assert 200 * BLOCK <= lost.at_sample <= 200 * BLOCK + 2 * RATE
    assert abs(line.drift_s) < 0.01
    sound(heard)


def test_a_small_hole_is_found_when_the_device_says_that_it_overflowed() -> None:
    blocks = [raw(index, late=0.04 if index >= 200 else 0.0) for index in range(400)]
    blocks[200] = Raw(blocks[200].samples, blocks[200].arrived, 0, overflow=True)
    (lost,) = told(run(opened(), blocks))
    assert isinstance(lost, Lost)
    assert lost.samples == pytest.approx(0.04 * RATE, abs=0.01 * RATE)


def test_a_machine_that_was_busy_lost_nothing() -> None:
    """Twelve blocks come late and together, as after a stall of 0.3 s."""
    late = [max(0.0, (412 - index) * BLOCK / RATE) if 400 <= index < 412 else 0.0 for index in range(600)]
    line = opened()
    assert not told(run(line, [raw(index, late=late[index]) for index in range(600)]))
    assert line.drift_s == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("error", [1e-4, -1e-4])
def test_a_device_whose_clock_is_off_is_no_loss_and_is_steered_back(error: float) -> None:
    """100 parts in a million, at the far end of what sound hardware does (common knowledge), for twelve minutes."""
    line = opened()
    heard = run(line, [raw(index, late=index * BLOCK / RATE * error) for index in range(28_800)])
    assert not told(heard)
    assert abs(line.drift_s) < 0.006
    assert line.steered / RATE == pytest.approx(720 * error, abs=0.006)
    sound(heard)


def test_after_a_deaf_stretch_the_missed_samples_are_padded_by_the_wall_clock() -> None:
    line = opened()
    heard = run(line, [raw(index) for index in range(80)])
    heard += line.close()
    line.open(RATE)
    heard += run(line, [raw(index) for index in range(280, 320)])
    assert told(heard) == [Recovered(200 * BLOCK, 200 * BLOCK / RATE, 80 * BLOCK)]
    blocks = sound(heard)
    assert sum(len(block.samples) for block in blocks if block.padding) == 200 * BLOCK
    assert max(len(block.samples) for block in blocks) <= RATE
    assert blocks[-1].start_sample == 319 * BLOCK


def test_a_device_of_another_rate_after_a_deaf_stretch_keeps_the_clock() -> None:
    line = opened()
    run(line, [raw(index) for index in range(80)])
    list(line.close())
    line.open(48_000)
    run(line, [raw(index, frames=1200, rate=48_000) for index in range(280, 360)])
    list(line.close())
    assert abs(line.count - 360 * BLOCK) <= 4


def test_a_device_that_goes_again_before_its_sound_is_settled_is_still_deaf() -> None:
    line = opened()
    run(line, [raw(index) for index in range(80)])
    list(line.close())
    line.open(RATE)
    heard = run(line, [raw(200)])
    heard += line.close()
    assert heard == []
    assert line.count == 80 * BLOCK


def test_two_channels_are_mixed() -> None:
    line = opened()
    (block,) = run(line, [Raw(np.array([[100, 300], [-32768, -32768]], dtype=np.int16), 100.0)])
    assert isinstance(block, Block)
    assert block.samples.tolist() == [200, -32768]
