"""Clips taken as photos. The clips are made here, from photographs that scikit-image ships and drawn noise."""

from __future__ import annotations

import contextlib
import struct
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from skimage import data
from updraft_key.model.clip import MAX_FRAMES, is_clip, open_clip
from updraft_key.model.errors import PhotoFormat, PhotoTooLarge, PhotoUnreadable
from updraft_key.model.fingerprint import fingerprint, near_duplicates

SIZE = (320, 240)


def scenes(count: int) -> list[NDArray[np.uint8]]:
    """Pictures that differ: parts of two photographs."""
    pictures = [np.asarray(data.coffee()), np.asarray(data.chelsea())]
    out = []
    for k in range(count):
        picture = pictures[k % 2]
        h, w = picture.shape[:2]
        y, x = (k // 2) * h // 8, (k // 2) * w // 8
        part = picture[y : y + h // 2, x : x + w // 2]
        out.append(cv2.resize(part, SIZE, interpolation=cv2.INTER_AREA))
    return out


def write(path: Path, frames: list[NDArray[np.uint8]], rate: float = 10.0) -> Path:
    video = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), rate, SIZE)
    assert video.isOpened()
    for frame in frames:
        video.write(np.ascontiguousarray(frame[:, :, ::-1]))
    video.release()
    return path


def blur(frame: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.asarray(cv2.GaussianBlur(frame, (0, 0), 5), np.uint8)


@pytest.mark.parametrize("suffix", ["mp4", "mov"])
def test_one_frame_of_each_scene_is_taken_in_order_and_the_sharp_one(tmp_path: Path, suffix: str) -> None:
    three = scenes(3)
    frames = []
    for scene in three:
        frames += [blur(scene)] * 6 + [scene] * 4 + [blur(scene)] * 6
    clip = write(tmp_path / f"walk.{suffix}", frames)
    taken = open_clip(clip)
    assert len(taken) == 3
    assert [t.seconds for t in taken] == sorted(t.seconds for t in taken)
    for shot, scene in zip(taken, three, strict=True):
        assert near_duplicates(fingerprint(shot.photo.pixels), fingerprint(scene))
        sharp = [cv2.Laplacian(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), cv2.CV_64F).std() for p in (scene, blur(scene))]
        mine = cv2.Laplacian(cv2.cvtColor(shot.photo.pixels, cv2.COLOR_RGB2GRAY), cv2.CV_64F).std()
        assert mine > (sharp[0] + sharp[1]) / 2
        assert np.abs(shot.photo.pixels.astype(int).mean((0, 1)) - scene.mean((0, 1))).max() < 12, "RGB, not BGR"
        assert (shot.photo.width, shot.photo.height) == SIZE and not shot.photo.pixels.flags.writeable
    assert len({t.photo.sha256 for t in taken}) == 3
    assert open_clip(clip.read_bytes())[0].photo.sha256 == taken[0].photo.sha256, "bytes and file are one"


def test_a_still_clip_is_one_photo_and_a_busy_one_eight(tmp_path: Path) -> None:
    assert len(open_clip(write(tmp_path / "still.mp4", scenes(1) * 30))) == 1
    busy = [s for scene in scenes(8) for s in [scene] * 5]
    rng = np.random.default_rng(3)
    for _ in range(8):
        rough = rng.integers(0, 255, (6, 8, 3), dtype=np.uint8)
        busy += [np.asarray(cv2.resize(rough, SIZE, interpolation=cv2.INTER_CUBIC), np.uint8)] * 5
    taken = open_clip(write(tmp_path / "busy.mp4", busy))
    assert len(taken) == MAX_FRAMES
    prints = [fingerprint(t.photo.pixels) for t in taken]
    assert not any(near_duplicates(a, b) for i, a in enumerate(prints) for b in prints[:i])


def test_a_clip_longer_than_a_minute_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PhotoTooLarge, match="60 seconds"):
        open_clip(write(tmp_path / "long.mp4", scenes(1) * 125, rate=2.0))


def test_a_clip_of_too_many_bytes_is_refused_unread(tmp_path: Path) -> None:
    big = tmp_path / "big.mp4"
    with big.open("wb") as file:
        file.write(struct.pack(">I", 24) + b"ftypisom" + bytes(12))
        file.truncate(200_000_001)
    with pytest.raises(PhotoTooLarge, match="200 MB"):
        open_clip(big)


def test_other_files_broken_files_and_no_file(tmp_path: Path) -> None:
    whole = write(tmp_path / "whole.mp4", scenes(2) * 10).read_bytes()
    assert is_clip(whole[:12]) and not is_clip(b"\xff\xd8\xff\xe0") and not is_clip(b"\0\0\0\x18ftypheic")
    with pytest.raises(PhotoFormat, match="MP4"):
        open_clip(b"\xff\xd8\xff\xe0" + bytes(100))
    with pytest.raises(PhotoUnreadable):
        open_clip(whole[: len(whole) // 3])
    with pytest.raises(PhotoUnreadable):
        open_clip(whole[:40])
    with pytest.raises(PhotoUnreadable):
        open_clip(tmp_path / "none.mp4")
    rng = np.random.default_rng(0)
    for _ in range(5):
        bad = bytearray(whole)
        for at in rng.integers(16, len(bad), 200):
            bad[at] = int(rng.integers(0, 256))
        with contextlib.suppress(PhotoUnreadable, PhotoTooLarge):
            assert len(open_clip(bytes(bad))) >= 1
