"""What lies behind the page without a browser: the fair queue, the guarded decoder, desks that forget, markup."""

from __future__ import annotations

import asyncio
import os
import re
import signal
import threading
from html.parser import HTMLParser
from pathlib import Path

import pytest
from answers import Shot, case, photo_answer
from fake_engine import FakeEngine, painted
from golden_cases import CASES
from updraft_key.app import guide, panels
from updraft_key.app.clerk import Clerk
from updraft_key.app.desk import MAX_PHOTOS, Desk, Desks
from updraft_key.app.engine import ReadPhoto, Told, with_hand
from updraft_key.app.gate import Rate
from updraft_key.app.guard import Guard, GuardLimits
from updraft_key.app.sketch import names, sketch
from updraft_key.app.turnstile import BusyError, Turnstile
from updraft_key.model.cues import Cue
from updraft_key.model.errors import EvidenceError, PhotoFormat, PhotoTooLarge, PhotoUnreadable
from updraft_key.model.photo import open_photo

pytestmark = pytest.mark.web


class TestTurnstile:
    def test_clients_take_turns(self) -> None:
        """One client with six questions and two with one each: the two do not wait for all six."""

        async def run() -> list[str]:
            gate, order = Turnstile(1, 20, 10), list[str]()

            async def ask(client: str) -> None:
                async with gate.enter(client):
                    order.append(client)
                    await asyncio.sleep(0)

            tasks = [asyncio.create_task(ask("greedy")) for _ in range(6)]
            await asyncio.sleep(0)
            tasks += [asyncio.create_task(ask(c)) for c in ("b", "c")]
            await asyncio.gather(*tasks)
            return order

        order = asyncio.run(run())
        assert order.index("b") <= 4 and order.index("c") <= 4
        assert len(order) == 8

    def test_no_more_than_the_slots_at_once_and_none_lost(self) -> None:
        async def run() -> tuple[int, int]:
            gate, inside, most, done = Turnstile(3, 1000, 1000), 0, 0, 0

            async def ask(i: int) -> None:
                nonlocal inside, most, done
                async with gate.enter(f"client{i % 7}"):
                    inside += 1
                    most = max(most, inside)
                    await asyncio.sleep(0.0005)
                    inside -= 1
                    done += 1

            tasks = [asyncio.create_task(ask(i)) for i in range(200)]
            await asyncio.sleep(0.002)
            for task in tasks[50:100:3]:
                task.cancel()  # visitors who leave while they wait must not take a slot with them
            await asyncio.gather(*tasks, return_exceptions=True)
            for i in range(3):
                async with gate.enter(f"late{i}"):
                    pass
            return most, done

        most, done = asyncio.run(run())
        assert most == 3
        assert done >= 183

    def test_a_full_line_and_a_greedy_client_are_refused_at_once(self) -> None:
        async def run() -> None:
            gate = Turnstile(1, 2, 2)
            async with gate.enter("a"):
                waiting = [asyncio.create_task(gate._wait("a")), asyncio.create_task(gate._wait("b"))]
                await asyncio.sleep(0)
                with pytest.raises(BusyError):
                    await gate._wait("c")
                with pytest.raises(BusyError):
                    await gate._wait("a")
                for task in waiting:
                    task.cancel()
                await asyncio.gather(*waiting, return_exceptions=True)
                assert gate.queued == 0

        asyncio.run(run())


class TestRate:
    def test_a_burst_then_a_steady_rate(self) -> None:
        now = [0.0]
        rate = Rate(60, 100, lambda: now[0])
        assert [rate.wait("a") for _ in range(60)] == [0.0] * 60
        assert rate.wait("a") == pytest.approx(1.0)
        assert rate.wait("b") == 0.0
        now[0] = 1.0
        assert rate.wait("a") == 0.0
        assert rate.wait("a") > 0

    def test_it_remembers_only_so_many(self) -> None:
        rate = Rate(1, 10, lambda: 0.0)
        for i in range(1000):
            rate.wait(str(i))
        assert len(rate._buckets) == 10


@pytest.fixture(scope="module")
def guard():  # type: ignore[no-untyped-def]
    one = Guard(GuardLimits(seconds=8.0, workers=1))
    yield one
    one.close()


class TestGuard:
    def test_the_same_pixels_as_without_it(self, guard: Guard) -> None:
        data = painted("alloy4")
        ours, plain = guard.open(data), open_photo(data)
        assert (ours.pixels == plain.pixels).all() and ours.sha256 == plain.sha256
        assert not ours.pixels.flags.writeable

    def test_errors_come_through_with_their_kind(self, guard: Guard) -> None:
        with pytest.raises(PhotoUnreadable, match="broken or cut short"):
            guard.open(painted("iron")[:700])
        with pytest.raises(PhotoFormat, match="GIF"):
            guard.open(b"GIF89a" + bytes(100))
        with pytest.raises(PhotoTooLarge):
            guard.open(b"\xff\xd8\xff" + bytes(25_000_001))

    def test_a_decoder_that_hangs_is_killed_and_the_next_picture_still_opens(self) -> None:
        slow = Guard(GuardLimits(seconds=0.7, workers=1))
        assert slow.open(painted("iron")).width == 800
        decoder = slow._free.get()
        assert decoder is not None
        os.kill(decoder.process.pid, signal.SIGSTOP)
        slow._free.put(decoder)
        with pytest.raises(PhotoUnreadable, match="opens in a few seconds"):
            slow.open(painted("iron"))
        assert decoder.process.poll() is not None, "it was killed"
        assert slow.open(painted("iron")).width == 800
        slow.close()

    def test_a_decoder_that_dies_is_replaced(self, guard: Guard) -> None:
        guard.open(painted("iron"))
        decoder = guard._free.get()
        assert decoder is not None
        decoder.process.kill()
        decoder.process.wait(5)
        guard._free.put(decoder)
        assert guard.open(painted("iron")).width == 800

    def test_it_knows_no_secret_of_the_server(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("UPDRAFT_KEY_TOKEN", "a-secret-of-the-server")
        one = Guard(GuardLimits(workers=1))
        one.open(painted("iron"))
        decoder = one._free.get()
        assert decoder is not None
        assert b"a-secret" not in Path(f"/proc/{decoder.process.pid}/environ").read_bytes()
        one._free.put(decoder)
        one.close()

    def test_pixels_of_another_size_than_the_header_says_are_refused(self) -> None:
        from updraft_key.app.guard import _photo

        header = {"rows": 10, "columns": 10, "sha256": "", "width": 10, "height": 10, "scale": 1.0}
        assert _photo(header, bytes(300)).pixels.shape == (10, 10, 3)
        with pytest.raises(PhotoUnreadable):
            _photo(header, bytes(299))

    def test_a_picture_of_200_megapixels_opens(self, guard: Guard) -> None:
        """200 MP JPEGs are what some phones write; drawn in one colour, so that the file is small."""
        from io import BytesIO

        from PIL import Image

        out = BytesIO()
        Image.new("L", (16320, 12240), 120).save(out, "JPEG", quality=30)
        photo = guard.open(out.getvalue())
        assert (photo.width, photo.height) == (16320, 12240)
        assert max(photo.pixels.shape) < 4100


@pytest.fixture
def clerk(guard: Guard) -> Clerk:
    return Clerk(FakeEngine(), guard, Desks())


class TestDesk:
    def test_photos_are_kept_without_their_metadata(self, clerk: Clerk) -> None:
        from io import BytesIO

        from PIL import Image

        out, exif = BytesIO(), Image.Exif()
        exif[0x010F] = "SECRETMAKER"
        exif[0x8825] = {1: "N", 2: (54.0, 19.0, 12.3)}
        Image.open(BytesIO(painted("iron"))).save(out, "JPEG", exif=exif, comment=b"SECRETCOMMENT")
        assert b"SECRETMAKER" in out.getvalue()
        desk = clerk.add(clerk.desks.new(), "a.jpg", out.getvalue())
        for kept in (desk.shots[0].full, desk.shots[0].preview):
            assert b"SECRET" not in kept and b"Exif" not in kept

    def test_a_turn_is_a_quarter_clockwise_and_four_are_none(self, clerk: Clerk) -> None:
        desk = clerk.decide(clerk.add(clerk.desks.new(), "a.jpg", painted("iron")))
        assert desk.shots[0].photo().pixels[5, 5].min() > 200, "the bright corner is top left"
        desk = clerk.turn(desk, 0)
        assert (desk.shots[0].read.width, desk.shots[0].read.height) == (600, 800)
        assert desk.shots[0].photo().pixels[5, -5].min() > 200, "now it is top right"
        for _ in range(3):
            desk = clerk.turn(desk, 0)
        assert desk.shots[0].turns == 0
        assert desk.shots[0].photo().pixels[5, 5].min() > 200

    def test_the_network_runs_once_a_photo_however_much_is_told(self, clerk: Clerk) -> None:
        desk = clerk.add(clerk.desks.new(), "a.jpg", painted("unclear"))
        for word in ("holds", "falls", "weak"):
            desk = clerk.tell(desk, lambda told, word=word: with_hand(told, "magnet", word))  # type: ignore[misc]
        assert clerk.engine.reads == 1  # type: ignore[attr-defined]

    def test_a_word_that_no_test_knows_leaves_the_desk_as_it_was(self, clerk: Clerk) -> None:
        desk = clerk.tell(clerk.desks.new(), lambda told: with_hand(told, "magnet", "holds"))
        with pytest.raises(EvidenceError):
            clerk.tell(desk, lambda told: with_hand(told, "magnet", "floats"))
        assert clerk.desks.get(desk.token) == desk

    def test_no_more_than_eight_photos(self, clerk: Clerk) -> None:
        desk = clerk.desks.new()
        for i in range(10):
            desk = clerk.add(desk, f"{i}.jpg", painted("iron", (320, 240)))
        assert len(desk.shots) == MAX_PHOTOS

    def test_starting_again_leaves_no_way_back(self, clerk: Clerk) -> None:
        desk = clerk.add(clerk.desks.new(), "a.jpg", painted("iron"))
        fresh = clerk.clear(desk)
        assert clerk.desks.get(desk.token) is None
        assert fresh.token != desk.token and fresh.shots == ()

    def test_two_hands_at_once_lose_nothing(self, clerk: Clerk) -> None:
        """Photos that come in two uploads at the same time, and a magnet tapped meanwhile, are all there at the end."""
        desk = clerk.desks.new()
        work = [
            lambda i=i: clerk.decide(clerk.add(desk, f"{i}.jpg", painted("iron", (320 + i, 240)))) for i in range(6)
        ]
        work.append(lambda: clerk.tell(desk, lambda told: with_hand(told, "magnet", "holds")))
        threads = [threading.Thread(target=one) for one in work]
        for t in threads:
            t.start()
        for t in threads:
            t.join()
        after = clerk.desks.get(desk.token)
        assert after is not None and len(after.shots) == 6 and after.told.hand == {"magnet": "holds"}
        assert after.answer is not None and len(after.answer.photos) == 6
        assert after.answer.verdict.reasons[0].rule == "metal_iron_magnet"

    def test_a_tap_again_takes_it_back(self) -> None:
        once = with_hand(Told(), "magnet", "holds", again=True)
        assert with_hand(once, "magnet", "holds", again=True).hand == {}
        assert with_hand(once, "magnet", "falls", again=True).hand == {"magnet": "falls"}

    def test_desks_are_forgotten_by_age_number_and_bytes(self) -> None:
        now = [0.0]
        desks = Desks(most=3, most_bytes=1000, seconds=60.0, clock=lambda: now[0])
        first = desks.new()
        for _ in range(3):
            desks.new()
        assert desks.get(first.token) is None and len(desks) == 3
        now[0] = 61.0
        late = desks.new()
        assert len(desks) == 1 and desks.get(late.token) is not None
        assert desks.get("no such token") is None and desks.get(None) is None


class TestMarkup:
    HOSTILE = '<script>alert(1)</script>"><img src=x onerror=alert(1)>.jpg'

    def test_file_names_cannot_become_markup(self) -> None:
        shot = Shot({Cue.FRONT_EAR: "none"}, file=self.HOSTILE)
        answer = case(shot)
        from updraft_key.app.desk import Shot as Kept

        desk = Desk("token", (Kept(self.HOSTILE, ReadPhoto(photo_answer(shot)), b"x", b"x"),), Told(), answer)
        made = [panels.photo(desk, 0, "en"), panels.verdict(answer, "en"), panels.evidence(answer, "en")]
        for html in made:
            tags = _tags(html)
            assert "script" not in tags
            assert all("onerror" not in dict(attributes) for tag, attributes in _Tags.of(html) if tag == "img")

    @pytest.mark.parametrize("lang", ["en", "de"])
    @pytest.mark.parametrize("name", CASES)
    def test_every_panel_is_whole_and_passes_through_markdown(self, name: str, lang: str) -> None:
        """Balanced tags, and no blank line, at which a Markdown reader would stop taking it for markup."""
        answer = CASES[name][0]
        makers = (panels.verdict, panels.ask, panels.magnet, panels.evidence, panels.parts, panels.fit, panels.cautions)
        for make in makers:
            html = make(answer, lang)
            assert not re.search(r"\n\s*\n", html)
            _Tags.of(html)

    def test_standing_pages_are_whole(self) -> None:
        for lang in ("en", "de"):
            for make in (panels.intro, guide.photo_guide, guide.examples, guide.taken):
                assert _Tags.of(make(lang))

    def test_every_drawing_is_described_and_loads_nothing(self) -> None:
        assert len(names()) >= 17
        for name in names():
            html = sketch(name, 'a "title"')
            assert 'role="img"' in html and "&quot;title&quot;" in html
            assert "href" not in html and "url(" not in html and "<text" not in html

    @pytest.mark.parametrize("name", ["../style", "/etc/passwd", "Look", "", None])
    def test_only_drawings_are_read(self, name: str | None) -> None:
        assert sketch(name, "x") == ""


class _Tags(HTMLParser):
    VOID = ("img", "br", "meta", "rect", "circle", "path", "ellipse", "polyline", "line", "input")

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[tuple[str, list[tuple[str, str | None]]]] = []
        self.open: list[str] = []

    @classmethod
    def of(cls, html: str) -> list[tuple[str, list[tuple[str, str | None]]]]:
        parser = cls()
        parser.feed(html)
        assert parser.open == [], f"left open: {parser.open}"
        return parser.seen

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, attrs))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, attrs))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-1:]}"
        self.open.pop()


def _tags(html: str) -> set[str]:
    return {tag for tag, _attributes in _Tags.of(html)}


class TestStyle:
    STYLE = Path(panels.__file__).parent / "assets" / "style.css"

    def test_nothing_is_fetched(self) -> None:
        text = self.STYLE.read_text("utf-8")
        assert "url(" not in text and "@import" not in text and "@font-face" not in text

    @pytest.mark.parametrize("scheme", [":root", ".dark"])
    def test_colours_meet_aa(self, scheme: str) -> None:
        """Contrast as WCAG 2.2 defines it (relative luminance of sRGB): 4.5 : 1 for text."""
        block = re.search(re.escape(scheme) + r" \{(.*?)\}", self.STYLE.read_text("utf-8"), re.DOTALL)
        assert block
        colour = dict(re.findall(r"--uk-([a-z-]+): (#[0-9a-f]{6})", block.group(1)))
        for text, back in (
            ("ink", "paper"), ("ink", "card"), ("soft", "paper"), ("soft", "card"), ("deep", "card"), ("deep", "paper"),
            ("named", "named-back"), ("open", "open-back"), ("against", "against-back"), ("ink", "named-back"),
            ("ink", "open-back"), ("ink", "against-back"),
        ):  # fmt: skip
            assert _contrast(colour[text], colour[back]) >= 4.5, (text, back)


def _contrast(a: str, b: str) -> float:
    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        line = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * line[0] + 0.7152 * line[1] + 0.0722 * line[2]

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)
