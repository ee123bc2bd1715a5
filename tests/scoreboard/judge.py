"""Judges what a season's events and forecasts were worth against its truth.

A season is one line of `seasons`. Times are seconds since its start; engine hours come from the
truth's runs. Nothing here knows how the analysis works: each rule says from the truth alone whether
what was told holds, or when a fault could be known.
"""

import bisect

HALF_HOUR = 0.5          # engine hours
DUE_H = 40.0             # element-due with more engine hours truly left than this cries wolf
HIGH_SHARE = 0.9         # restriction-high with less of the limit than this, too
LOADED_H = 10.0          # a pressure that has sunk with more left of every element does, too
STRAINED_KPA = 60.0      # true feed (85 at idle, 150 above, with clean elements): the warning holds
PASSED_SHARE = 1.1       # of the limit, truly, before it was changed: a chance to tell
JUMP_SHARE = 0.05        # of the limit, within half an engine hour: truly a jump
RISING_RATIO = 1.5       # dirt in a litre against before: truly a change
PERIOD_S = 2.0           # of the messages that carry the water indication
WET_S = 30.0 - PERIOD_S / 2  # indication that stood at least this long, to half a period, is steady
WATER_TOLD_S = 30.0 + 2.25 * PERIOD_S  # a message may be lost
BURN_PCT = 1.0           # a change of the burn by this much is truly there
RELAYED = "relayed"      # the engine's own report, passed on
TRUE = "true"
FALSE = "false"
MISLED = "misled"        # false, because a sensor lies


class Season:
    """A season with its engine hours and courses at hand."""

    def __init__(self, line):
        self.line = line
        self.number = line["season"]
        self.engine_h = line["engine_h"]
        self.faults = line["faults"]
        self.events = sorted(line["events"], key=lambda e: e["raised"])
        self.filters = line["filters"]
        self.elements = line["elements"]
        self.runs = line["runs"]
        self.courses = {}
        for point in line["course"]:
            self.courses.setdefault(int(point["element"]), []).append(point)

    @property
    def healthy(self):
        return not self.faults and self.number % 2 == 0

    def hours(self, t):
        """Engine hours of the season at a time."""
        return sum(max(0.0, min(t, run["end"]) - run["start"]) for run in self.runs) / 3600

    def time_of(self, hours):
        """The time at which so many engine hours had passed; None: not in this season."""
        for run in self.runs:
            length = (run["end"] - run["start"]) / 3600
            if hours <= length:
                return run["start"] + hours * 3600
            hours -= length
        return None

    def element_at(self, index, t):
        """The element that was in a filter."""
        for i, element in enumerate(self.elements):
            removed = element["removed"]
            if element["filter"] == index and element["fitted"] <= t and (removed is None or t < removed):
                return i
        return None

    def filter_of(self, subject):
        for i, one in enumerate(self.filters):
            if one["name"] == subject:
                return i
        return None

    def point_at(self, element, t, key):
        """A value of an element's course, straight between its points."""
        course = self.courses.get(element, [])
        if not course:
            return None
        at = bisect.bisect_right([p["t"] for p in course], t)
        if at == 0:
            return course[0][key]
        if at == len(course):
            return course[-1][key]
        a, b = course[at - 1], course[at]
        span_h = self.hours(b["t"]) - self.hours(a["t"])
        part = (self.hours(t) - self.hours(a["t"])) / span_h if span_h > 0 else 1
        return a[key] + (b[key] - a[key]) * part

    def fault(self, *kinds):
        for one in self.faults:
            if one["kind"] in kinds:
                return one
        return None

    def grown(self, fault, t):
        """Size of a fault that grows straight from its start to its full time."""
        if fault is None or t < fault["start"]:
            return 0.0
        if fault["full"] is None:
            over = self.over_h(fault)
        else:
            over = self.hours(fault["full"]) - self.hours(fault["start"])
        since = self.hours(t) - self.hours(fault["start"])
        return fault["size"] * (min(1.0, since / over) if over > 0 else 1.0)

    def over_h(self, fault):
        return self.line.get("fault_over_h") or 0.0


# ---- was it so? ----


def judge_high(season, event):
    index = season.filter_of(event["subject"])
    element = season.element_at(index, event["raised"])
    soon = season.time_of(season.hours(event["raised"]) + HALF_HOUR) or event["raised"]
    limit = season.elements[element]["limit_kpa"]
    if season.point_at(element, soon, "kpa") >= HIGH_SHARE * limit:
        return TRUE
    return misled(season, index, event)


def misled(season, index, event):
    fault = season.fault("sensor-drift", "sensor-dead")
    if fault and fault["filter"] == index and event["raised"] >= fault["start"]:
        return MISLED
    return FALSE


def rise_before(season, element, t, hours):
    """How far the true restriction rose in the engine hours before a time, kPa."""
    earlier = season.time_of(max(0.0, season.hours(t) - hours)) or 0
    earlier = max(earlier, season.elements[element]["fitted"])
    return season.point_at(element, t, "kpa") - season.point_at(element, earlier, "kpa")


def judge_jump(season, event):
    index = season.filter_of(event["subject"])
    element = season.element_at(index, event["raised"])
    if rise_before(season, element, event["raised"], HALF_HOUR) >= (
            JUMP_SHARE * season.elements[element]["limit_kpa"]):
        return TRUE
    return misled(season, index, event)


def dirt_ratio(season, element, t):
    """Dirt in a litre over the last three engine hours against what came before."""
    fitted = season.elements[element]["fitted"]
    middle = season.time_of(max(season.hours(fitted), season.hours(t) - 3.0)) or fitted
    now_l, now_d = season.point_at(element, t, "litres"), season.point_at(element, t, "dirt_l")
    mid_l, mid_d = season.point_at(element, middle, "litres"), season.point_at(element, middle, "dirt_l")
    if mid_l <= 0 or now_l <= mid_l:
        return 1.0
    return (now_d - mid_d) / (now_l - mid_l) / (mid_d / mid_l)


def judge_rising(season, event):
    index = season.filter_of(event["subject"])
    element = season.element_at(index, event["raised"])
    fault = season.fault("bad-fuel", "sludge")
    if dirt_ratio(season, element, event["raised"]) >= RISING_RATIO:
        return TRUE
    if fault and index == 0 and event["raised"] >= fault["start"] and (
            season.hours(event["raised"]) - season.hours(fault["start"]) < 20):
        return TRUE
    return misled(season, index, event)


def left_h(season, element, t):
    """Engine hours that an element truly had left: as lived, else by its litres."""
    one = season.elements[element]
    used_h = season.hours(t) - season.hours(one["fitted"])
    if one["limit_h"] is not None:
        return one["limit_h"] - used_h
    if one["limit_l"] is None:
        return float("inf")
    lph = one["litres"] / one["engine_h"] if one["engine_h"] > 0 else 1.0
    return one["limit_l"] / lph - used_h


def judge_due(season, event):
    index = season.filter_of(event["subject"])
    element = season.element_at(index, event["raised"])
    if left_h(season, element, event["raised"]) <= DUE_H:
        return TRUE
    return misled(season, index, event)


def starved_near(season, t):
    now = season.hours(t)
    return any(s["start"] <= t + 60 and season.hours(s["end"]) >= now - HALF_HOUR
               for s in season.line["starving"])


def strained(season, t):
    """In this run the feed truly fell far, whether or not the engine felt it."""
    return any(run["least_feed_kpa"] < STRAINED_KPA for run in season.runs
               if run["start"] <= t and season.hours(run["end"]) >= season.hours(t) - HALF_HOUR)


def begun(season, t, *kinds):
    fault = season.fault(*kinds)
    return fault is not None and fault["start"] <= t


def judge_starvation(season, event):
    t = event["raised"]
    return TRUE if begun(season, t, "air") or starved_near(season, t) or strained(season, t) else FALSE


def loaded_soon(season, t):
    """An element of the line, measured or not, is within its last hours, or was until just now."""
    return any(one["fitted"] <= t and (one["removed"] is None or t < one["removed"] + 3600)
               and left_h(season, i, t) <= LOADED_H for i, one in enumerate(season.elements))


def judge_pressure(season, event):
    if "itself reports" in event["message"]:
        return RELAYED
    if "has sunk" in event["message"] and loaded_soon(season, event["raised"]):
        return TRUE
    return judge_starvation(season, event)


def judge_temperature(season, event):
    t = event["raised"]
    if "itself reports" in event["message"]:
        return RELAYED
    if begun(season, t, "coolant-creep"):
        return TRUE
    if "exhaust" in event["subject"] and season.grown(season.fault("injector"), t) >= 2:
        return TRUE  # the model's exhaust is 3 °C hotter for each percent
    return FALSE


def judge_tank(season, event):
    return TRUE if begun(season, event["raised"], "tank-leak", "tank-stuck") else FALSE


def judge_burn_high(season, event):
    fault = season.fault("fouling", "injector")
    return TRUE if season.grown(fault, event["raised"]) >= BURN_PCT else FALSE


def judge_burn_low(season, event):
    return TRUE if starved_near(season, event["raised"]) else FALSE


def judge_water(season, event):
    t = event["raised"]
    return TRUE if any(w["start"] + WET_S <= t <= w["end"] + PERIOD_S for w in season.line["wet"]) else FALSE


def tells_dead(season, fault, event):
    """The filter whose sensor has died; or its sender, where that has fallen silent."""
    return event["kind"] == "source-lost" and event["raised"] >= fault["start"] and (
        event["subject"] == season.filters[int(fault["filter"])]["name"]
        or fault["size"] == 0 and event["subject"].startswith("source "))


def judge_lost(season, event):
    fault = season.fault("sensor-dead")
    return TRUE if fault and tells_dead(season, fault, event) else FALSE


JUDGES = {
    "restriction-high": judge_high,
    "restriction-jump": judge_jump,
    "restriction-rising": judge_rising,
    "element-due": judge_due,
    "starvation": judge_starvation,
    "fuel-pressure-low": judge_pressure,
    "temperature-high": judge_temperature,
    "tank-mismatch": judge_tank,
    "burn-high": judge_burn_high,
    "burn-low": judge_burn_low,
    "water-in-fuel": judge_water,
    "water-recurring": judge_water,
    "source-lost": judge_lost,
    "engine-fault": lambda season, event: RELAYED,
}


def judge_event(season, event):
    """Whether what was told was so; what nobody can tell is false."""
    return JUDGES.get(event["kind"], lambda s, e: FALSE)(season, event)


# ---- was it told, and when? ----


class Chance:
    """Something that could be known from a moment on: told after so long, or not."""

    def __init__(self, kind, unit, delay, size=None):
        self.kind = kind
        self.unit = unit
        self.delay = delay  # None: missed
        self.size = size


def first_told(season, kinds, since, until=None, subject=None):
    for event in season.events:
        up = event["cleared"] is None or event["cleared"] > since
        if event["kind"] in kinds and up and (subject is None or event["subject"] == subject) and (
                event["raised"] >= since) and (until is None or event["raised"] <= until):
            return event
    return None


def chance_bad_fuel(season, fault):
    """Known from the first engine hour with it on; a chance only where the dirt truly doubles."""
    element = season.element_at(0, fault["start"])
    removed = season.elements[element]["removed"]
    start_h = season.hours(fault["start"])
    after = season.time_of(start_h + 5.0)
    if after is None or (removed is not None and removed < after):
        after = removed if removed is not None else season.runs[-1]["end"]
    before_l = season.point_at(element, fault["start"], "litres")
    before_d = season.point_at(element, fault["start"], "dirt_l")
    litres = season.point_at(element, after, "litres") - before_l
    dirt = season.point_at(element, after, "dirt_l") - before_d
    if season.hours(after) - start_h < 1.0 or before_l <= 0 or litres <= 0:
        return []
    ratio = dirt / litres / (before_d / before_l)
    if ratio < 2:
        return []
    told = first_told(season, ("restriction-rising", "restriction-jump"), fault["start"], removed,
                      season.filters[0]["name"])
    delay = season.hours(told["raised"]) - start_h if told else None
    return [Chance("bad fuel: dirt 2 times or more", "h", delay, ratio)]


def chance_sludge(season, fault):
    element = season.element_at(0, fault["start"])
    limit = season.elements[element]["limit_kpa"]
    start_h = season.hours(fault["start"])
    after = season.time_of(start_h + 0.1)
    if after is None:
        return []
    rise = season.point_at(element, after, "kpa") - season.point_at(element, fault["start"], "kpa")
    share = rise / limit
    told = first_told(season, ("restriction-jump",), fault["start"], None, season.filters[0]["name"])
    high = first_told(season, ("restriction-high",), fault["start"], None, season.filters[0]["name"])
    if high and (told is None or high["raised"] < told["raised"]):
        told = high
    delay = (season.hours(told["raised"]) - start_h) * 60 if told else None
    if delay is not None and delay > 120:
        delay = None
    name = ("jump of 25 % of the limit or more" if share >= 0.25 else
            "jump of 10 to 25 % of the limit" if share >= 0.1 else None)
    return [Chance(name, "min", delay, share)] if name else []


def chance_burn(season, fault):
    """Known from when the burn has truly grown by 5 %."""
    start_h = season.hours(fault["start"])
    over_h = season.over_h(fault)
    name = {"fouling": "hull and propeller", "injector": "injector"}[fault["kind"]]
    told = first_told(season, ("burn-high",), fault["start"])
    if fault["size"] < 5:
        at_h = start_h + over_h
        delay = season.hours(told["raised"]) - at_h if told else None
        return [Chance(f"burn, {name}: less than 5 %", "h", delay, fault["size"])]
    at_h = start_h + over_h * 5 / fault["size"]
    if at_h + 3 > season.engine_h:
        return []
    delay = season.hours(told["raised"]) - at_h if told else None
    return [Chance(f"burn, {name}: 5 % reached", "h", delay, fault["size"])]


def chance_air(season, fault):
    told = first_told(season, ("starvation", "fuel-pressure-low"), fault["start"])
    delay = season.hours(told["raised"]) - season.hours(fault["start"]) if told else None
    return [Chance("air", "h", delay, fault["size"])]


def chance_dead(season, fault):
    told = next((e for e in season.events if tells_dead(season, fault, e)), None)
    delay = season.hours(told["raised"]) - season.hours(fault["start"]) if told else None
    return [Chance("dead sensor: " + ("silent", "not available", "frozen")[int(fault["size"])], "h", delay)]


def chance_coolant(season, fault):
    told = first_told(season, ("temperature-high",), fault["start"])
    delay = season.hours(told["raised"]) - season.hours(fault["start"]) if told else None
    return [Chance("coolant creep", "h", delay, fault["size"])]


def chance_leak(season, fault):
    told = first_told(season, ("tank-mismatch",), fault["start"])
    litres = fault["size"] * (told["raised"] - fault["start"]) / 3600 if told else None
    lost = fault["size"] * (season.runs[-1]["end"] - fault["start"]) / 3600
    if told is None and lost < 0.1 * season.line["tank_l"]:
        return []
    share = 100 * litres / season.line["tank_l"] if told else None
    return [Chance("tank leak, lost until told", "% of tank", share, fault["size"])]


def chance_stuck(season, fault):
    told = first_told(season, ("tank-mismatch",), fault["start"])
    if told is None and season.engine_h - season.hours(fault["start"]) < 10:
        return []
    delay = season.hours(told["raised"]) - season.hours(fault["start"]) if told else None
    return [Chance("stuck level sender", "h", delay)]


FAULT_CHANCES = {
    "bad-fuel": chance_bad_fuel,
    "sludge": chance_sludge,
    "fouling": chance_burn,
    "injector": chance_burn,
    "air": chance_air,
    "sensor-dead": chance_dead,
    "coolant-creep": chance_coolant,
    "tank-leak": chance_leak,
    "tank-stuck": chance_stuck,
}


def water_chances(season):
    """Each indication that was steady by every source's word, while no water is being told."""
    told = [e for e in season.events if e["kind"].startswith("water-")]
    chances = []
    for wet in season.line["wet"]:
        if not wet["every_source"] or wet["end"] - wet["start"] < WATER_TOLD_S:
            continue
        up = any(e["raised"] <= wet["start"] and (e["cleared"] is None or e["cleared"] > wet["start"])
                 for e in told)
        if up:
            continue
        delays = [e["raised"] - wet["start"] for e in told
                  if wet["start"] <= e["raised"] <= wet["end"] + PERIOD_S]
        again = any(w["end"] < wet["start"] - 60 for w in season.line["wet"])
        name = "water again" if again else "water, the first time"
        chances.append(Chance(name, "s", delays[0] if delays else None))
    return chances


def high_chances(season):
    """Each element that truly passed its limit by a tenth, read by a sound sensor; the delay counts
    from the limit itself."""
    chances = []
    lies = season.fault("sensor-drift", "sensor-dead")
    for i, element in enumerate(season.elements):
        index = int(element["filter"])
        if element["limit_h"] is None or season.filters[index]["sensor"] == "none":
            continue
        at_h = season.hours(element["fitted"]) + element["limit_h"]
        at = season.time_of(at_h)
        until = element["removed"]
        passed = element["reference_kpa"] >= PASSED_SHARE * element["limit_kpa"]
        if lies and lies["filter"] == index or at is None or not passed:
            continue
        told = first_told(season, ("restriction-high",), element["fitted"], until,
                          season.filters[index]["name"])
        chances.append(Chance("element at its limit", "h", season.hours(told["raised"]) - at_h if told else None))
    return chances


def chances_of(season):
    found = water_chances(season) + high_chances(season)
    for fault in season.faults:
        found += FAULT_CHANCES.get(fault["kind"], lambda s, f: [])(season, fault)
    return found


# ---- was the cause the true one, and its size and beginning? ----

# What each fault is called when it is named as a cause, in the events that it shows in.
TRUE_CAUSE = {"fouling": "fouled hull", "injector": "injector"}
UNDECIDED_WORDS = "Not told apart yet: "
LIKELY_WORDS = "Likely: "
RIGHT = "right"          # named alone and first
UNDECIDED = "undecided"  # one of those that are told to be alike so far
WRONG = "wrong"


class Cause:
    """What an event said of its cause, against the truth. Sizes in percent, times in engine hours."""

    def __init__(self, kind, stage, said, size_error=None, since_error=None):
        self.kind = kind
        self.stage = stage
        self.said = said
        self.size_error = size_error
        self.since_error = since_error


def causes_named(message):
    """The causes that come first: one, or those that cannot be told apart yet; [] where none is named."""
    for words in (UNDECIDED_WORDS, LIKELY_WORDS):
        at = message.find(words)
        if at >= 0:
            named = message[at + len(words):].split(".")[0].split(";")
            return named[0].split(", or else ") if words == UNDECIDED_WORDS else named[:1]
    return []


def judge_cause(message, true_words):
    named = causes_named(message)
    if not any(true_words in one for one in named):
        return WRONG
    return RIGHT if len(named) == 1 else UNDECIDED


def began_h(season, event, telling):
    """Engine hours at which the event says that it began."""
    words = telling["message"].replace(" h of steady running", " engine hours").split(" engine hours")[0].split(" for ")
    return season.hours(telling["t"]) - float(words[-1])


def burn_causes(season):
    """Of each true burn event: when first told, and when told last, held against what came to be."""
    fault = season.fault(*TRUE_CAUSE)
    found = []
    for event in season.events:
        if event["kind"] != "burn-high" or judge_event(season, event) != TRUE or not event["told"]:
            continue
        name = {"fouling": "hull and propeller", "injector": "injector"}[fault["kind"]]
        for stage, telling in (("first told", event["told"][0]), ("told last", event["told"][-1])):
            at = telling["t"] if stage == "first told" else event["cleared"] or season.runs[-1]["end"]
            found.append(Cause(f"burn-high: {name}", stage,
                               judge_cause(telling["message"], TRUE_CAUSE[fault["kind"]]),
                               telling["value"] - season.grown(fault, at),
                               began_h(season, event, telling) - season.hours(fault["start"])))
    return found


def filled_at(season, message):
    """The refuelling whose litres a message names; None: it names none."""
    words = message.split(" L were taken in")[0].split()
    if " L were taken in" not in message:
        return None
    litres = float(words[-1])
    return min(season.line["refuellings"], key=lambda r: abs(r["litres"] - litres), default=None)


def rising_causes(season):
    """Bad fuel: is its own refuelling the one that is named?"""
    fault = season.fault("bad-fuel")
    found = []
    for event in season.events:
        if fault is None or event["kind"] != "restriction-rising" or event["raised"] < fault["start"] or (
                judge_event(season, event) != TRUE):
            continue
        named = filled_at(season, event["message"])
        bad = max(season.line["refuellings"], key=lambda r: r["dirt_factor"])
        found.append(Cause("restriction-rising: the load of fuel", "first told",
                           UNDECIDED if named is None else RIGHT if named is bad else WRONG))
    return found


def starving_causes(season):
    """Air, where it is let in; else the line before the engine was blocked."""
    found = []
    for event in season.events:
        if event["kind"] != "starvation" or judge_event(season, event) != TRUE:
            continue
        air = begun(season, event["raised"], "air")  # which strains the feed by itself
        says_air = "Air gets in" in event["message"]
        says_filter = "A filter is loaded" in event["message"]
        said = UNDECIDED if not says_air and not says_filter else RIGHT if says_air == air else WRONG
        found.append(Cause("starvation: " + ("air" if air else "a blocked line"), "first told", said))
    return found


def water_causes(season):
    """Again after a drain, or for the first time: by the skipper's own drains."""
    found = []
    for event in season.events:
        if not event["kind"].startswith("water-") or judge_event(season, event) != TRUE:
            continue
        drained = any(d["start"] is not None and d["start"] < event["raised"] for d in season.line["drains"])
        again = event["kind"] == "water-recurring"
        found.append(Cause("water: first, or again after a drain", "first told",
                           RIGHT if again == drained else WRONG))
    return found


def causes_of(season):
    return burn_causes(season) + rising_causes(season) + starving_causes(season) + water_causes(season)


# ---- forecasts ----


class Forecast:
    def __init__(self, season, line):
        element = season.elements[int(line["element"])]
        fault = season.fault("bad-fuel", "sludge", "sensor-drift", "sensor-dead")
        self.index = int(element["filter"])
        self.stage = int(line["stage"])
        self.sensor = season.filters[self.index]["sensor"]
        self.blocking = season.filters[self.index]["blocking"]
        self.first = element["number"] == 1
        self.fuel_least_c = season.line["fuel_least_c"]
        self.life_l = line["life_l"]
        self.in_service = element["limit_h"] is not None
        # What no one could foresee, or what lies: an element that a fault touched.
        end = element["removed"] if element["removed"] is not None else season.runs[-1]["end"]
        self.touched = fault is not None and fault["start"] < end and (
            fault["kind"] in ("bad-fuel", "sludge") or fault["filter"] == self.index)
        self.given = line["p50"] is not None
        if self.given:
            self.error = (line["true_l"] + line["p50"] - self.life_l) / self.life_l
            left = self.life_l - line["true_l"]
            self.held = line["p10"] <= left <= line["p90"]
            self.width = (line["p90"] - line["p10"]) / self.life_l


def forecasts_of(season):
    return [f for f in (Forecast(season, line) for line in season.line["forecasts"])
            if f.sensor != "none"]
