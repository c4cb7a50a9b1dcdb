"""What happens on a desk: photos come, are turned, removed; things are told; the answer follows. No markup, no web."""

from __future__ import annotations

import hashlib
from dataclasses import replace

from updraft_key.model.answer import PhotoAnswer
from updraft_key.model.errors import PhotoError
from updraft_key.model.photo import Photo

from .desk import MAX_PHOTOS, Desk, Desks, Shot, make_shot, turned
from .engine import Engine, ReadPhoto, Told
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
        return self._keep(replace(desk, shots=(*desk.shots, shot)))

    def decide(self, desk: Desk) -> Desk:
        """Decide from what is on the desk; an empty desk has no answer."""
        told = desk.told
        if not desk.shots and not told.hand:
            return self._keep(replace(desk, answer=None))
        return self._keep(replace(desk, answer=self.engine.decide([s.seen for s in desk.shots], told)))

    def turn(self, desk: Desk, index: int) -> Desk:
        """Turn one photo a quarter clockwise, read it again, decide anew."""
        if not 0 <= index < len(desk.shots) or not desk.shots[index].full:
            return desk
        old = desk.shots[index]
        photo: Photo = turned(old.photo())
        shot = make_shot(old.name, photo, self.engine.read(old.name, photo), (old.turns + 1) % 4)
        return self.decide(replace(desk, shots=(*desk.shots[:index], shot, *desk.shots[index + 1 :])))

    def remove(self, desk: Desk, index: int) -> Desk:
        """Take one photo away and decide anew."""
        return self.decide(replace(desk, shots=tuple(s for i, s in enumerate(desk.shots) if i != index)))

    def tell(self, desk: Desk, told: Told) -> Desk:
        """Change what was told and decide anew.

        Raises:
            EvidenceError: for a word that the hand test does not take; the desk is then as before.
        """
        return self.decide(replace(desk, told=told))

    def clear(self, desk: Desk) -> Desk:
        """Forget everything and start with a new token, so that old links lead nowhere."""
        self.desks.forget(desk.token)
        return self.desks.new()

    def _keep(self, desk: Desk) -> Desk:
        self.desks.keep(desk)
        return desk
