"""What happens on a desk: photos come, are turned, removed; things are told; the answer follows. No markup, no web."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from functools import partial

from updraft_key.model.answer import Answer, PhotoAnswer
from updraft_key.model.errors import PhotoError
from updraft_key.model.photo import Photo

from .desk import MAX_PHOTOS, Desk, Desks, Shot, make_shot, turned
from .engine import Engine, ReadPhoto, Told, hand_tests
from .guard import Guard


class Clerk:
    """Does the work on desks; one for the whole server. Every method keeps and returns the desk's new state."""

    def __init__(self, engine: Engine, guard: Guard, desks: Desks) -> None:
        self.engine, self.guard, self.desks = engine, guard, desks

    def desk(self, token: str | None) -> Desk:
        """The desk of a token, or a new empty one."""
        return self.desks.get(token) or self.desks.new()

    def add(self, desk: Desk, name: str, data: bytes) -> Desk:
        """Read one more photo. A photo that cannot be used is kept as a line that says why; a full desk stays as it is.

        The answer is not yet decided anew: call ``decide`` after the last one.
        """
        if len(desk.shots) >= MAX_PHOTOS:
            return desk
        try:
            photo = self.guard.open(data)
            shot = make_shot(name, photo, self.engine.read(name, photo))
        except PhotoError as error:
            sha = hashlib.sha256(data).hexdigest()
            shot = Shot(name, ReadPhoto(PhotoAnswer(name, sha, 0, 0, False, (), None, str(error))))
        return self.desks.change(desk.token, lambda now: replace(now, shots=(*now.shots, shot)[:MAX_PHOTOS]))

    def decide(self, desk: Desk) -> Desk:
        """Decide from what is on the desk now; an empty desk has no answer."""
        for _ in range(8):
            now = self.desks.get(desk.token) or desk
            answer: Answer | None = None
            if now.shots or now.told.hand:
                answer = self.engine.decide([s.seen for s in now.shots], now.told)
            kept = self.desks.change(desk.token, partial(_answered, before=now, answer=answer))
            if kept.answer is answer:
                break  # otherwise a photo or a word came while this was decided: once more
        return kept

    def turn(self, desk: Desk, index: int) -> Desk:
        """Turn one photo a quarter clockwise, read it again, decide anew."""
        if not 0 <= index < len(desk.shots) or not desk.shots[index].full:
            return desk
        old = desk.shots[index]
        photo: Photo = turned(old.photo())
        shot = make_shot(old.name, photo, self.engine.read(old.name, photo), (old.turns + 1) % 4)
        now = self.desks.change(
            desk.token, lambda now: replace(now, shots=tuple(shot if s is old else s for s in now.shots))
        )
        return self.decide(now)

    def remove(self, desk: Desk, index: int) -> Desk:
        """Take one photo away and decide anew."""
        if not 0 <= index < len(desk.shots):
            return desk
        gone = desk.shots[index]
        now = self.desks.change(
            desk.token, lambda now: replace(now, shots=tuple(s for s in now.shots if s is not gone))
        )
        return self.decide(now)

    def tell(self, desk: Desk, act: Callable[[Told], Told]) -> Desk:
        """Change what was told, as it is now, and decide anew.

        Raises:
            EvidenceError: for a word that the hand test does not take; the desk is then as before.
        """

        def told(now: Desk) -> Desk:
            said = act(now.told)
            hand_tests(said.hand)
            return replace(now, told=said)

        return self.decide(self.desks.change(desk.token, told))

    def clear(self, desk: Desk) -> Desk:
        """Forget everything and start with a new token, so that old links lead nowhere."""
        self.desks.forget(desk.token)
        return self.desks.new()


def _answered(now: Desk, before: Desk, answer: Answer | None) -> Desk:
    """The desk with its answer, if it is still the desk that was answered for."""
    same = now.shots == before.shots and now.told == before.told
    return replace(now, answer=answer) if same else now
