"""Pictures that came twice, against all pairs compared one by one."""

from hypothesis import given
from hypothesis import strategies as st
from updraft_key.app.twins import NEAR_BITS, Seen, find_twins


def test_same_bytes_and_near_pictures() -> None:
    a = Seen("a", "1.jpg", "s1", "00000000000000ff")
    b = Seen("b", "2.jpg", "s2", "00000000000000fe")
    c = Seen("c", "3.jpg", "s1", "00000000000000ff")
    d = Seen("d", "4.jpg", "s4", "ffffffff00000000")
    twins = [(t.first.case, t.second.case, t.exact, t.bits) for t in find_twins([a, b, c, d])]
    assert twins == [("a", "b", False, 1), ("a", "c", True, 0)]


def test_unreadable_files_are_left_out() -> None:
    assert list(find_twins([Seen("a", "1", "", None), Seen("b", "2", "", None)])) == []


@given(st.lists(st.integers(0, 2**64 - 1), max_size=12), st.integers(0, NEAR_BITS), st.randoms(use_true_random=False))
def test_no_near_pair_is_missed(values: list[int], flips: int, rng: object) -> None:
    extra = []
    for value in values:
        for bit in rng.sample(range(64), flips):  # type: ignore[attr-defined]
            value ^= 1 << bit
        extra.append(value)
    pictures = [Seen("c", str(i), f"sha{i}", f"{v:016x}") for i, v in enumerate(values + extra)]
    found = {(t.first.file, t.second.file) for t in find_twins(pictures)}
    wanted = {
        (p.file, q.file)
        for i, p in enumerate(pictures)
        for q in pictures[i + 1 :]
        if (int(p.fingerprint or "0", 16) ^ int(q.fingerprint or "0", 16)).bit_count() <= NEAR_BITS
    }
    assert found == wanted
