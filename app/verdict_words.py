"""The wording of the verdict and of what it rests on. Reached through ``app.words``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from updraft_key.model.answer import Answer
from updraft_key.model.cues import CUES, ERAS, OUT_OF_SIGHT, Cue, Era, FusedCue, Outcome, Reason

from .labels import ERA_YEARS, bearers_name, cue_name, cue_place, era_name, reading_name, sources_name
from .language import mark as _
from .language import tongue
from .line import Line

NAMED_SENTENCES: Mapping[Era, str] = MappingProxyType(
    {
        Era.IRON: _("This is the carburetor with the iron body."),
        Era.ALLOY4: _("This is the carburetor with the alloy body and four screws."),
        Era.ALLOY5: _("This is the carburetor with the alloy body and five screws."),
    }
)
LIKELY_SENTENCES: Mapping[Era, str] = MappingProxyType(
    {
        Era.IRON: _("Most likely this is the carburetor with the iron body."),
        Era.ALLOY4: _("Most likely this is the carburetor with the alloy body and four screws."),
        Era.ALLOY5: _("Most likely this is the carburetor with the alloy body and five screws."),
    }
)
"""The same for a name with a reserve."""
NOTHING_SEEN = (Outcome.NOT_SEEN, Outcome.RETAKE)
"""Outcomes without a carburetor to speak of."""


def verdict_sentence(answer: Answer, lang: str = "en") -> str:
    """The verdict in one sentence. It never says more than the rule layer's outcome."""
    t, v = tongue(lang), answer.verdict
    count = {"count": len(answer.photos)}
    if v.outcome is Outcome.NAMED and v.era is not None:
        return t.say((LIKELY_SENTENCES if answer.reserved else NAMED_SENTENCES)[v.era])
    if v.outcome is Outcome.CONFLICT:
        return t.say("No kind is named, because what was found does not agree.")
    if v.outcome is Outcome.NOT_SEEN:
        if len(answer.photos) == 1:
            return t.say("No carburetor of this kind was found in the photo.")
        return t.say("No carburetor of this kind was found in any of the {count} photos.", count)
    if v.outcome is Outcome.RETAKE:
        if len(answer.photos) == 1:
            return t.say("The photo cannot be read well enough to answer.")
        return t.say("None of the {count} photos can be read well enough to answer.", count)
    if len(v.candidates) == 2:
        kinds = {"kinds": _kinds(v.candidates, lang)}
        return t.say("Not settled yet, but only two kinds are left: {kinds}.", kinds)
    if v.reasons or answer.photos or any(c.reading != OUT_OF_SIGHT for c in answer.cues.cues.values()):
        return t.say("Not settled yet: all three kinds are still possible.")
    return t.say("Nothing is known yet: add a photo or answer a hand test.")


def verdict_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """The verdict sentence and what makes it useful: what it rests on, or what would settle it."""
    t, v = tongue(lang), answer.verdict
    lines = [Line(verdict_sentence(answer, lang), kind=str(v.outcome))]
    if v.outcome is Outcome.NAMED:
        settling = [r for r in v.reasons if r.settles]
        if settling:
            signs = "; ".join(f"{cue_name(r.cue, lang)} ({bearers_name(r, lang)})" for r in settling)
            rests = t.say("It rests on: {signs}.", {"signs": signs})
            lines.append(Line(rests if answer.reserved else t.say("Settled by: {signs}.", {"signs": signs})))
        if v.era is not None:
            years = {"years": t.say(ERA_YEARS[v.era])}
            lines.append(Line(t.say("This kind was {years}; the engine may be older or younger.", years)))
    elif v.outcome is Outcome.CONFLICT:
        lines += _sides(v.conflict, lang)
        lines.append(
            Line(
                t.say(
                    "That happens when a photo is misread, when photos of two carburetors are mixed, or when "
                    "a carburetor was put together from parts. Order nothing until it is cleared up."
                )
            )
        )
    elif v.outcome is Outcome.SHORTLIST and len(v.candidates) < len(ERAS):
        gone = tuple(e for e in ERAS if e not in v.candidates)
        lines.append(Line(t.say("Ruled out: {kinds}.", {"kinds": _kinds(gone, lang)})))
    elif v.outcome is Outcome.NOT_SEEN:
        lines.append(
            Line(
                t.say(
                    "If there should be one, take a photo from the front at arm's length, with the round "
                    "throat opening and the joint above it in the middle of the picture."
                )
            )
        )
    elif v.outcome is Outcome.RETAKE:
        lines.append(Line(t.say("Under Photos it says what is wrong with each and how to take it again.")))
    if v.outcome in (Outcome.SHORTLIST, Outcome.CONFLICT) and answer.next_looks:
        how = {"how": t.again(answer.next_looks[0].how)}
        lines.append(Line(t.say("Best next step: {how}", how), ref=answer.next_looks[0].look, kind="ask"))
    return tuple(lines)


def reason_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """Every rule that fired, settling ones first; ``ref`` is the rule's id."""
    ordered = sorted(answer.verdict.reasons, key=lambda r: not r.settles)
    return tuple(
        Line(_reason(r, lang), sources_name(r.sources, lang), r.rule, "settles" if r.settles else "hint")
        for r in ordered
    )


def _reason(reason: Reason, lang: str) -> str:
    t = tongue(lang)
    said = t.again(reason.text)
    return said if reason.accepted else t.say("Probably, though not sure by itself: {said}", {"said": said})


def seen_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """What was seen or felt, cue by cue, with where; cues in sight but unclear included."""
    lines = []
    for cue in CUES:
        fused = answer.cues.cues.get(cue)
        if fused is None or fused.reading == OUT_OF_SIGHT:
            continue
        if fused.accepted:
            what = reading_name(cue, fused.reading, lang)
            if cue is Cue.METAL and not any(e.by_hand for e in fused.evidence):
                what = tongue(lang).say("looks like {metal}", {"metal": what})
            text = f"{cue_name(cue, lang)}: {what}{_angle(answer, fused, lang)}"
            lines.append(Line(text, sources_name(fused.sources, lang), str(cue), "seen"))
        elif len({e.reading for e in fused.evidence}) > 1:
            said = "; ".join(
                f"{reading_name(cue, e.reading, lang)} ({sources_name((e.source,), lang)})" for e in fused.evidence
            )
            lines.append(Line(f"{cue_name(cue, lang)}: {said}", "", str(cue), "disagree"))
        else:
            why = reading_name(cue, "unsure", lang) if answer.photos else tongue(lang).say("tried, but not settled")
            lines.append(Line(f"{cue_name(cue, lang)}: {why}", "", str(cue), "unsure"))
    return tuple(lines)


def not_seen_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """What no photo shows and no hand test told, with where it would be."""
    out: list[Line] = []
    if answer.verdict.outcome in NOTHING_SEEN:
        return ()  # the photo shows no such carburetor, so a list of its places would mislead
    for cue in CUES:
        fused = answer.cues.cues.get(cue)
        if fused is None or fused.reading == OUT_OF_SIGHT:
            out.append(Line(f"{cue_name(cue, lang)}: {cue_place(cue, lang)}", "", str(cue), "not_seen"))
    return tuple(out)


def magnet_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """Whether to try the magnet, what it would settle, and how to try it so that it does not mislead.

    Nothing for a name with a reserve that needs no magnet: "settled" would be too much.
    """
    t, magnet = tongue(lang), answer.verdict.magnet_test
    if answer.reserved and not magnet.flagged:
        return ()
    lines = [Line(t.again(magnet.why), kind="asked" if magnet.flagged else "not_asked")]
    if magnet.flagged:
        lines.append(
            Line(
                t.say(
                    "Touch bare casting, away from screws, shafts and levers: steel parts attract on any "
                    "body. Paint weakens the pull. Try the magnet on known iron first."
                )
            )
        )
    return tuple(lines)


def _kinds(eras: Iterable[Era], lang: str) -> str:
    t = tongue(lang)
    quoted = [t.say("\u201c{name}\u201d", {"name": era_name(e, lang)}) for e in eras]
    return (
        t.say("{first} or {second}", {"first": ", ".join(quoted[:-1]), "second": quoted[-1]})
        if (len(quoted) > 1)
        else "".join(quoted)
    )


def _sides(conflict: Iterable[Reason], lang: str) -> list[Line]:
    """What disagrees, gathered by the kinds that it speaks for."""
    sides: dict[tuple[Era, ...], list[Reason]] = {}
    for r in conflict:
        sides.setdefault(r.keeps, []).append(r)
    out = []
    for keeps, reasons in sides.items():
        said = "; ".join(
            f"{cue_name(r.cue, lang)} \N{EN DASH} {reading_name(r.cue, r.reading, lang)} "
            f"({sources_name(r.sources, lang)})"
            for r in reasons
        )
        text = tongue(lang).say("Speaks for {kinds}: {signs}.", {"kinds": _kinds(keeps, lang), "signs": said})
        out.append(Line(text, kind="side", ref=" ".join(r.rule for r in reasons)))
    return out


def _angle(answer: Answer, fused: FusedCue, lang: str) -> str:
    """The handle's slope and its 90 % interval, from the photos that the reading rests on."""
    if fused.cue is not Cue.MAIN_JET or not fused.reading.startswith("handle"):
        return ""
    for source in fused.sources:
        kind, _sep, number = source.partition(":")
        if kind == "photo" and number.isdigit() and int(number) < len(answer.photos):
            readings = answer.photos[int(number)].readings
            angle = readings.cues[Cue.MAIN_JET].angle if readings and Cue.MAIN_JET in readings.cues else None
            if angle is not None:
                values = {n: f"{v:.0f}".replace("-", "\N{MINUS SIGN}") for n, v in (
                    ("value", angle.value), ("low", angle.low), ("high", angle.high)
                )}  # fmt: skip
                if fused.reading == "handle_level":
                    return tongue(lang).say(", about {value}° from level ({low}° to {high}°)", values)
                return tongue(lang).say(", about {value}° down ({low}° to {high}°)", values)
    return ""
