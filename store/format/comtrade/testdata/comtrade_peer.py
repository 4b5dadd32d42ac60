"""Reads and writes COMTRADE with nothing but Python 3's standard library.

Written from IEEE C37.111-1999 and -2013 for checking faultkeep against: it
shares no code with it, takes no liberty, and computes values exactly
(fractions), rounding once at the end.

    comtrade_peer.py read STEM      prints the recording as JSON
    comtrade_peer.py write STEM YEAR KIND
                                    writes one, and prints what it means as JSON
"""

import json
import struct
import sys
from datetime import datetime, timedelta, timezone
from fractions import Fraction

MISSING = {"ASCII": 99999, "BINARY": -0x8000, "BINARY32": -0x80000000}
LETTER = {"BINARY": "h", "BINARY32": "i", "FLOAT32": "f"}
LOWEST = struct.unpack("<f", bytes.fromhex("ffff7fff"))[0]  # FF7FFFFFh


def number(text):
    return Fraction(text.strip())


def moment(text):
    """dd/mm/yyyy,hh:mm:ss.ssssss with up to nine digits, as nanoseconds since 1970."""
    date, clock = text.split(",")
    day, month, year = (int(part) for part in date.split("/"))
    hour, minute, second = clock.split(":")
    whole, _, fraction = second.partition(".")
    at = datetime(year, month, day, int(hour), int(minute), int(whole), tzinfo=timezone.utc)
    return int(at.timestamp()) * 10**9 + int((fraction + "000000000")[:9]), len(fraction) > 6


def hours(code):
    """A time code such as -5h30, in nanoseconds."""
    sign = -1 if code.startswith("-") else 1
    whole, _, minutes = code.lstrip("+-").partition("h")
    return sign * (int(whole) * 60 + int(minutes or 0)) * 60 * 10**9


def configuration(stem):
    with open(stem + ".cfg", encoding="utf-8", newline="") as f:
        text = f.read()
    assert text.endswith("\r\n") and "\n" not in text.replace("\r\n", ""), "lines end in CR and LF"
    lines = text.split("\r\n")[:-1]
    station, device, year = lines[0].split(",")
    total, analogs, states = lines[1].split(",")
    assert analogs.endswith("A") and states.endswith("D")
    analogs, states = int(analogs[:-1]), int(states[:-1])
    assert int(total) == analogs + states
    c = {"station": station, "device": device, "year": year, "analogs": [], "states": []}
    for i in range(analogs):
        n, name, phase, circuit, unit, a, b, skew, low, high, primary, secondary, side = lines[2 + i].split(",")
        assert int(n) == i + 1 and 1 <= len(name) <= 128 and 1 <= len(unit) <= 32 and side in "PS"
        assert number(low) <= number(high) and number(primary) > 0 and number(secondary) > 0
        c["analogs"].append({"name": name, "unit": unit, "a": number(a), "b": number(b)})
    for i in range(states):
        n, name, phase, circuit, normal = lines[2 + analogs + i].split(",")
        assert int(n) == i + 1 and 1 <= len(name) <= 128 and normal in "01"
        c["states"].append(name)
    rest = lines[2 + analogs + states:]
    count = int(rest[1])
    c["rates"] = [(number(samp), int(end)) for samp, end in (line.split(",") for line in rest[2:2 + max(count, 1)])]
    c["stamped"] = count == 0
    rest = rest[2 + max(count, 1):]
    (c["first"], fine), (c["trigger"], finer) = moment(rest[0]), moment(rest[1])
    c["kind"], c["multiplier"] = rest[2], number(rest[3])
    c["count"] = c["multiplier"] * (1 if fine or finer else 1000)  # nanoseconds
    assert len(rest) == (6 if year == "2013" else 4), rest
    if year == "2013":
        zone, local = rest[4].split(",")
        quality, leap = rest[5].split(",")
        assert quality in "0123456789ABF" and leap in "0123"
        c["first"] -= hours(zone)
        c["trigger"] -= hours(zone)
    return c


def rows(c, stem):
    """The number, stamp, analog numbers (None: missing) and states of every sample."""
    analogs, states = len(c["analogs"]), len(c["states"])
    with open(stem + ".dat", "rb") as f:
        data = f.read()
    if c["kind"] == "ASCII":
        assert data.endswith(b"\r\n\x1a"), "ends with the end-of-file mark"
        for line in data[:-3].decode("ascii").split("\r\n"):
            f = line.split(",")
            assert len(f) == 2 + analogs + states, line
            raw = [None if x in ("", "99999") else number(x) for x in f[2:2 + analogs]]
            assert all(len(x) <= 13 for x in f[2:2 + analogs]), line
            yield int(f[0]), int(f[1]), raw, [int(x) for x in f[2 + analogs:]]
        return
    form = struct.Struct("<II%d%s%dH" % (analogs, LETTER[c["kind"]], (states + 15) // 16))
    assert len(data) % form.size == 0
    for f in form.iter_unpack(data):
        missing = MISSING.get(c["kind"], LOWEST)
        raw = [None if x == missing else Fraction(x) for x in f[2:2 + analogs]]
        words = f[2 + analogs:]
        yield f[0], f[1], raw, [words[i // 16] >> i % 16 & 1 for i in range(states)]


def read(stem):
    c = configuration(stem)
    samples = list(rows(c, stem))
    assert [n for n, _, _, _ in samples] == list(range(1, c["rates"][-1][1] + 1))
    series = []
    for ch, k in enumerate(c["analogs"]):
        series.append([None if raw[ch] is None else float(raw[ch] * k["a"] + k["b"]) for _, _, raw, _ in samples])
    for ch in range(len(c["states"])):
        series.append([states[ch] for _, _, _, states in samples])
    return {
        "station": c["station"],
        "names": [k["name"] for k in c["analogs"]] + c["states"],
        "units": [k["unit"] for k in c["analogs"]],
        "numbers": [[None if raw[ch] is None else float(raw[ch]) for _, _, raw, _ in samples] for ch in range(len(c["analogs"]))],
        "series": series,
        "stamps": [float(stamp * c["count"] / 10**9) for _, stamp, _, _ in samples],
        "trigger": c["trigger"],
        "after": (c["trigger"] - c["first"]) / 1e9,
    }


def write(stem, year, kind):
    """300 samples of two ramps and a parabola, with holes, and 18 states."""
    n, first = 300, datetime(2026, 11, 25, 3, 12, 7, 410000)
    trigger = first + timedelta(milliseconds=2 * 225)
    channels = [("speed", "1/min", "0.1", "-40"), ("strøm" if year == "2013" else "strom", "A", "0.0025", "0"), ("torque", "Nm", "1.5", "0.25")]
    lines = ["Northquay,Fan 2,%s" % year, "21,3A,18D"]
    for i, (name, unit, a, b) in enumerate(channels):
        lines.append("%d,%s,,,%s,%s,%s,0,-32767,32767,1,1,P" % (i + 1, name, unit, a, b))
    lines += ["%d,state %d,,,0" % (i + 1, i) for i in range(18)]
    form = "%d/%m/%Y,%H:%M:%S.%f"
    lines += ["50", "1", "500,%d" % n, first.strftime(form), trigger.strftime(form), kind, "1"]
    if year == "2013":
        lines += ["+1h30,+1h30", "7,0"]
    with open(stem + ".cfg", "w", encoding="utf-8", newline="") as f:
        f.write("".join(line + "\r\n" for line in lines))
    data, series = b"", [[] for _ in range(21)]
    for i in range(n):
        raw = [i - 150, 3 * i, (i - 100) ** 2 % 32768]
        if i % 7 == 3:
            raw[i % 3] = None
        states = [(i >> ch % 9) + ch & 1 for ch in range(18)]
        if kind == "ASCII":
            numbers = ["99999" if x is None else str(x) for x in raw]
            data += (",".join([str(i + 1), str(2000 * i)] + numbers + [str(s) for s in states]) + "\r\n").encode()
        else:
            missing = MISSING.get(kind, LOWEST)
            words = [sum(s << k for k, s in enumerate(states[at:at + 16])) for at in (0, 16)]
            data += struct.pack("<II3%s2H" % LETTER[kind], i + 1, 2000 * i, *[missing if x is None else x for x in raw], *words)
        for ch, (_, _, a, b) in enumerate(channels):
            series[ch].append(None if raw[ch] is None else float(raw[ch] * Fraction(a) + Fraction(b)))
        for ch, s in enumerate(states):
            series[3 + ch].append(s)
    with open(stem + ".dat", "wb") as f:
        f.write(data + (b"\x1a" if kind == "ASCII" else b""))
    at = int(trigger.replace(tzinfo=timezone.utc).timestamp() * 10**6) * 1000
    return {"names": [c[0] for c in channels], "series": series, "trigger": at - (hours("+1h30") if year == "2013" else 0), "index": 225}


if __name__ == "__main__":
    result = read(sys.argv[2]) if sys.argv[1] == "read" else write(*sys.argv[2:])
    json.dump(result, sys.stdout, ensure_ascii=True)
