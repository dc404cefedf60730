"""What the steps of a job say: title, one instruction, one caution.

All of it is common practice, no source; the machine's service manual goes first.
Gaps are those of `sumpwright.planning.said.Said`.
"""

from __future__ import annotations

from typing import NamedTuple


class Text(NamedTuple):
    """Title, instruction and caution of a step; the caution may be empty."""

    title: str
    instruction: str
    caution: str = ""


TEXTS: dict[str, Text] = {
    "manual": Text(
        "Service manual",
        "Open the machine's service manual at this system and keep it at hand.",
        "Where the manual says otherwise than this list, do as the manual says.",
    ),
    "place": Text(
        "Safe in place",
        "Stop on level ground, engine off and key out; set the brake and chock on both sides. "
        "If anyone must go beneath, put it level on stands that carry its weight.",
        "Nobody goes under a machine that hangs on a jack.",
    ),
    "pressure": Text("Let it come to rest", "{first:text}", "{first_caution:text}"),
    "protection": Text(
        "Gloves and eyes",
        "Put on fluid-proof gloves and eye protection; have rags and absorbent within reach.",
        "Used fluid may be hot, and it harms the skin.",
    ),
    "fluid": Text(
        "The right fluid",
        "Compare every container with the fluid of the sheet, {fluid:text}, and that with the "
        "service manual.",
        "A wrong fluid can ruin the system: in doubt, do not begin.",
    ),
    "fluid unknown": Text(
        "The right fluid",
        "Look up in the service manual which fluid is asked for, and compare every container "
        "with it.",
        "A wrong fluid can ruin the system: in doubt, do not begin.",
    ),
    "sample.new": Text(
        "Vial of new fluid",
        "Fill one vial with new fluid and label it; the others are compared with it.",
    ),
    "odometer": Text("Odometer or hours", "Read the odometer or the hour meter."),
    "exhaust": Text(
        "Exhaust led away",
        "Lead the exhaust into the open, and open doors and gates.",
        "Exhaust gas kills without a smell: the engine never runs in a closed room.",
    ),
    "lean": Text(
        "Lean over the plug",
        "Drive it onto ramps or use a slope, so that the drain plug is the lowest point; then "
        "engine off, key out, brake set, chocked.",
        "Never lean a machine on a jack: only on ramps or on the ground.",
    ),
    "fill-plug": Text(
        "Fill plug first",
        "Loosen the fill plug{drive:text} before anything is drained, and leave it in "
        "finger-tight.",
        "If it does not come loose, stop here: what is drained now could not be filled again.",
    ),
    "fill-plug cap": Text(
        "Fill opening first",
        "Open the {opening:text} before anything is drained.",
        "If it does not open, stop here: what is drained now could not be filled again.",
    ),
    "catch": Text(
        "Catch vessel",
        "Put an empty vessel that holds {vessel:volume} or more under the drain plug.",
        "A vessel that is too small runs over when the plug can no longer be closed.",
    ),
    "drain": Text(
        "Drain",
        "Open the drain plug{drive:text}, let it run until it only drips, and measure what came "
        "out.",
        "Hot fluid scalds: stand aside, and keep arms away from under the plug.",
    ),
    "sample drained": Text(
        "Sample {number:text}", "Stir what was just drained, fill a vial from it and label it."
    ),
    "sample old": Text(
        "Sample of the old fluid", "Fill a vial from what was drained and label it."
    ),
    "sample bottle": Text(
        "Sample {number:text}",
        "Stir what has just run into the bottle, fill a vial from it and label it.",
    ),
    "sample last": Text(
        "Sample {number:text}, the last",
        "Fill the last vial from what stands in it: from the dipstick, or from what drips or runs "
        "out at the level opening.",
    ),
    "filter": Text(
        "Filter, screen, magnets",
        "Renew or clean them if the service manual asks for it; note what lies on them.",
        "Chips of metal mean that something is breaking: find out what before going on.",
    ),
    "unlean": Text(
        "Level again",
        "Put the machine back on level ground; engine off, key out, brake set, chocked.",
        "Filled first, moved then; nobody beneath or beside it while it moves.",
    ),
    "tighten": Text(
        "Tighten the {plug:text}",
        "Clean the thread, fit the {plug:text} with {seal:text}, and tighten it to "
        "{torque:torque}.",
        "A used seal leaks; too much torque tears the thread out of the housing.",
    ),
    "tighten unknown": Text(
        "Tighten the {plug:text}",
        "Clean the thread, fit the {plug:text} with {seal:text}, and tighten it to the value of "
        "the service manual: the sheet gives none.",
        "A used seal leaks; too much torque tears the thread out of the housing.",
    ),
    "cap": Text(
        "Close the fill opening",
        "Wipe round the {opening:text} and close it.",
        "Open, it lets dirt in and hot fluid out.",
    ),
    "fill": Text(
        "Fill",
        "Pump in as much new fluid as came out, and measure it.",
        "Too much is as harmful as too little: not more than came out.",
    ),
    "check running": Text(
        "Ready to run",
        "Compare out with in, look for drips, take chocks, vessels and hoses away.",
        "What runs short of fluid is damaged within seconds.",
    ),
    "drive": Text("Drive", "{drive:text}", "Stop at once if it slips, howls or leaks."),
    "helper": Text(
        "Helper in the seat",
        "Agree on the calls: only the hand calls start and stop, and no call means stop. Brake "
        "set, selector in park or neutral.",
        "If the link or the view to the hand is lost, stop the engine.",
    ),
    "line-open": Text(
        "Open the line",
        "Open the cooler's return line where the service manual allows, a vessel beneath.",
        "The line may be hot and under pressure: engine off, open it slowly.",
    ),
    "hoses": Text(
        "Hoses on both ends",
        "Push a clear hose on each open end, clamp both, and lead each into a bottle of its own.",
        "A hose that jumps off throws hot fluid: pull at each one.",
    ),
    "mark": Text(
        "Mark the bottle",
        "Mark the bottle at {mark:volume}.",
        "Never run past {safe:volume} before it is filled again: the pump would draw air.",
    ),
    "mark pumped": Text(
        "Mark bottle and vessel",
        "Mark the bottle, and the vessel of new fluid, at {mark:volume} each.",
        "Never let more than {safe:volume} run out beyond what went in: the pump would draw air.",
    ),
    "bump": Text(
        "Find the outlet",
        "The seat starts the engine on the call; the hand watches both hoses and calls stop as "
        "soon as fluid shows in one: a second or two.",
        "If none shows within a few seconds, stop all the same and find out why.",
    ),
    "outlet": Text(
        "Mark the outlet",
        "The hose that ran is the outlet: mark it, cap the other end, and measure what came out.",
        "The wrong end in the bottle would let the pump run dry.",
    ),
    "return": Text(
        "Outlet back into the fill opening",
        "Clip the outlet hose into the fill opening, so that what comes out runs back in.",
        "Tie it down: a hose that jumps out empties the system within a minute.",
    ),
    "bottle": Text(
        "Bottle in place",
        "Empty the bottle and clip the outlet hose into it, where you see the mark.",
        "Look at the hose again: it is the one marked as outlet.",
    ),
    "bottle pumped": Text(
        "Bottle and pump in place",
        "Empty the bottle and clip the outlet hose into it; put {mark:volume} of new fluid at the "
        "pump, and its hose into the fill opening.",
        "Look at the hose again: it is the one marked as outlet.",
    ),
    "check": Text(
        "Clear to start",
        "Compare out with in; look at hoses, clamps and plugs; nobody beneath, hands clear.",
        "The pump must never run short of fluid.",
    ),
    "ready": Text(
        "Ready in the seat",
        "Brake set, foot on it, selector in park or neutral where there is one, hand on the key: "
        "say that you are ready.",
        "Start on the call of the hand only.",
    ),
    "start": Text(
        "Start",
        "Start the engine on the call of the hand, and let it idle.",
        "Nobody beneath the machine while the engine runs.",
    ),
    "work": Text("Work it through", "{work:text}", "{caution:text}"),
    "work again": Text(
        "Work it through", "{work:text} {sweeps:number} times over.", "{caution:text}"
    ),
    "stop": Text("Stop", "Stop the engine on the call of the hand."),
    "stop mark": Text(
        "Stop at the mark",
        "The hand calls stop when the bottle is at {mark:volume}; the seat stops the engine.",
        "Air in the hose means stop at once; never run past {safe:volume}.",
    ),
    "stop pumped": Text(
        "Pump in, stop at the mark",
        "Pump in as fast as it runs out; the hand calls stop when the bottle is at {mark:volume}.",
        "Air in the hose means stop at once; never let {safe:volume} more run out than went in.",
    ),
    "discharge": Text("What came out", "Read the bottle and enter what came out."),
    "exchange": Text(
        "What went through",
        "Enter what went in; if more or less came out, enter the difference as discharged or "
        "filled.",
    ),
    "purge": Text(
        "Blow the line out",
        "Engine off, the outlet held in the bottle: low-pressure air into the other end until no "
        "more fluid comes. Measure what came.",
        "Eye protection on; only the low pressure that the service manual allows.",
    ),
    "refill": Text(
        "Fill what came out",
        "Pump in as much new fluid as came out, and measure it.",
        "Filled before the engine runs again, never after: the pump must not draw air.",
    ),
    "line-closed": Text(
        "Close the line",
        "Take the hoses off and join the line with new seals, as the service manual says.",
        "Engine off, key out. A joint that is not fully home empties the system on the road.",
    ),
    "temperature": Text(
        "Temperature of the fluid",
        "Read the temperature of the fluid until it lies between {low:temperature} and "
        "{high:temperature}.",
        "Keep clear of belts, fans, shafts and the hot exhaust.",
    ),
    "top-up": Text(
        "Top up if nothing runs",
        "If no fluid stands at the level opening, pump in new fluid until it does.",
        "Small amounts: what is too much runs out hot.",
    ),
    "level window": Text(
        "Set the level",
        "Between {low:temperature} and {high:temperature}, engine as the service manual says: "
        "open the level plug, let it run until it only drips, close it, measure what ran out.",
        "It runs out hot, and the engine may run: gloves on, sleeves tight, nothing loose.",
    ),
    "level": Text(
        "Set the level",
        "{level:text}",
        "Warm fluid stands higher: take the level at the temperature that the manual gives.",
    ),
    "leak-check": Text(
        "Look for leaks",
        "Wipe plugs and joints dry, and look again after a minute, with a lamp.",
        "A drip now is a puddle on the road.",
    ),
    "test-drive": Text(
        "Run it, then look again",
        "{drive:text}",
        "Take chocks, vessels and tools away first; stop at once if it slips, howls or leaks.",
    ),
    "recheck": Text(
        "After the drive",
        "Level ground, engine off: look for leaks at every plug and joint, and check the level "
        "once more as the service manual says.",
        "Parts are hot now.",
    ),
    "dispose": Text(
        "Used fluid away",
        "Close and label the waste container; hand fluid, rags and filters to a licensed "
        "collector, as local rules ask.",
        "Never into a drain, onto the ground or into household waste, nor mixed with other "
        "liquids.",
    ),
}


_WITH_GAPS = {
    "drain-plug": "Tighten the drain plug",
    "close": "Close the fill opening",
    "torque": "Tighten a plug",
    "decide": "Go on or stop",
    "exchange": "What went through",
}
"""Titles of steps whose own title names a plug of the machine, or that have none here."""

CONDITIONS = {
    "balance": "before the fluid was filled up",
    "excess": "with more fluid in than at the start",
    "window": "outside the window",
    "engine": "with the engine off",
    "most": "beyond the safe discharge",
    "torque": "with another torque than is given",
    "less": "with less than was read before",
    "seal": "without a new seal",
    "over": "with more out than was in it by the sheet",
    "drain": "with the drain plug not tightened",
    "fill": "with the fill opening not closed",
    "level": "with the level plug not tightened",
    "line": "with the line open",
    "lean": "with the machine leaned",
    "chocks": "without chocks",
}
"""What a condition that was passed over is called, after the title of its step."""


def title_of(step: str) -> str:
    """Return the title of a step, or of a condition of one, by its id.

    Examples
    --------
    >>> title_of("fill-plug.2"), title_of("drain-plug.1/torque"), title_of("my own step")
    ('Fill plug first', 'Tighten the drain plug, with another torque than is given', 'my own step')
    >>> title_of("sample.0"), title_of("sample.2"), title_of("sample")
    ('Sample of the old fluid', 'Sample 2', 'Samples')
    """
    name, _, condition = step.partition("/")
    title = _title(name)
    return f"{title}, {CONDITIONS[condition]}" if condition in CONDITIONS else title


def _title(step: str) -> str:
    root, _, tail = step.partition(".")
    if step in TEXTS:
        return TEXTS[step].title
    if root == "sample":
        if not tail:
            return "Samples"
        return TEXTS["sample old"].title if tail == "0" else f"Sample {tail}"
    if root in _WITH_GAPS:
        return _WITH_GAPS[root]
    text = TEXTS.get(root)
    return step if text is None or "{" in text.title else text.title
