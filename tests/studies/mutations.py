"""Damage to files, drawn from a seed: bytes, fields of headers, and texts that look nearly right.

Every function takes a random generator and returns changed content with a few words on what was
done. Nothing here reads or writes a file.
"""

from __future__ import annotations

import json
import random
import re
import struct
import zlib
from collections.abc import Callable
from typing import Any

Mutation = tuple[bytes, str]

MAX_BYTES = 3_000_000
"""A case stays small; what is larger is cut."""

# Where headers hold sizes, time bases and counts. ISO/IEC 14496-12, Matroska (RFC 9559), AVI 1.0,
# PNG, JPEG (ITU-T T.81), TIFF 6.0, WebP (RFC 9649).
_FIELDS: dict[str, tuple[bytes, ...]] = {
    ".mp4": (
        *(b"ftyp", b"moov", b"mvhd", b"tkhd", b"mdhd", b"stsd", b"stts", b"stsz", b"stsc"),
        *(b"stco", b"ctts", b"elst", b"stss", b"avcC", b"hvcC", b"avc1", b"hvc1", b"hev1"),
        *(b"colr", b"mdat", b"hdlr", b"dinf", b"free"),
    ),
    ".mkv": (
        *(b"\x1a\x45\xdf\xa3", b"\x2a\xd7\xb1", b"\x44\x89", b"\xb0", b"\xba", b"\x63\xa2"),
        *(b"\x23\xe3\x83", b"\x1f\x43\xb6\x75", b"\xe7", b"\xa3", b"\x16\x54\xae\x6b", b"\x86"),
        *(b"\x1c\x53\xbb\x6b", b"\x53\xab", b"\xae", b"\xa0", b"\x9b", b"V_"),
    ),
    ".avi": (b"RIFF", b"avih", b"strh", b"strf", b"idx1", b"movi", b"00dc", b"LIST", b"JUNK"),
    ".png": (b"IHDR", b"IDAT", b"IEND", b"PLTE", b"tRNS", b"eXIf", b"iCCP", b"pHYs"),
    ".jpg": (
        *(b"\xff\xc0", b"\xff\xc2", b"\xff\xc4", b"\xff\xdb", b"\xff\xda", b"\xff\xdd"),
        *(b"\xff\xe0", b"\xff\xe1", b"Exif", b"\xff\xd9"),
    ),
    ".tif": (
        b"II*\x00",
        b"MM\x00*",
        b"\x00\x01\x03\x00",
        b"\x01\x01\x03\x00",
        b"\x11\x01",
        b"\x17\x01",
    ),
    ".webp": (b"RIFF", b"WEBP", b"VP8 ", b"VP8L", b"VP8X", b"EXIF", b"ANMF", b"\x9d\x01\x2a"),
}
_FIELDS[".webm"] = _FIELDS[".mkv"]
_FIELDS[".tiff"] = _FIELDS[".tif"]
_FIELDS[".jpeg"] = _FIELDS[".jpg"]

_VALUES = (0, 1, 2, 3, 7, 8, 16, 64, 127, 128, 255, 256, 1000, 32767, 32768, 65535, 65536, 90000)
_LARGE = (2**24, 2**31 - 1, 2**31, 2**32 - 1, 2**32, 2**53, 2**63 - 1, 2**63, 2**64 - 1)


def mutate(name: str, data: bytes, rng: random.Random) -> Mutation:
    """Damage the content of a file in one to three ways that suit its name."""
    suffix = "." + name.rsplit(".", 1)[-1].lower()
    ways: list[str] = []
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3))):
        if suffix in _FIELDS:
            data, way = _picture_or_film(suffix, data, rng)
        elif rng.random() < 0.1:
            data, way = flip_bytes(data, rng)
        elif suffix == ".json" and rng.random() < 0.6:
            data, way = change_json(data, rng)
        else:
            data, way = change_text(data, rng)
        data = data[:MAX_BYTES]
        ways.append(way)
    return data, "; ".join(ways)


def _picture_or_film(suffix: str, data: bytes, rng: random.Random) -> Mutation:
    ways = (flip_bytes, flip_bytes, cut, move_block, fill_block)
    if rng.random() < 0.55:
        data, way = change_field(_FIELDS[suffix], data, rng)
    else:
        data, way = rng.choice(ways)(data, rng)
    if suffix == ".png" and rng.random() < 0.7:
        # Otherwise the check sums would end most of the reading at once.
        data, way = with_png_checks(data), way + ", check sums renewed"
    return data, way


def flip_bytes(data: bytes, rng: random.Random) -> Mutation:
    """One to twenty bits or bytes changed; near the begin as often as anywhere."""
    out = bytearray(data)
    if not out:
        return data, "nothing to change"
    end = len(out) if rng.random() < 0.5 else min(len(out), 600)
    count = rng.choice((1, 1, 2, 5, 20))
    for _ in range(count):
        at = rng.randrange(end)
        out[at] = out[at] ^ (1 << rng.randrange(8)) if rng.random() < 0.6 else rng.randrange(256)
    return bytes(out), f"{count} bytes changed"


def cut(data: bytes, rng: random.Random) -> Mutation:
    """The end, or the begin, is missing."""
    at = rng.randrange(len(data) + 1)
    if rng.random() < 0.8:
        return data[:at], f"cut after {at} of {len(data)} bytes"
    return data[at:], f"first {at} of {len(data)} bytes missing"


def _block(data: bytes, rng: random.Random) -> tuple[int, int]:
    begin = rng.randrange(len(data) + 1)
    return begin, min(len(data), begin + rng.choice((4, 16, 64, 512, 4096, 40_000)))


def move_block(data: bytes, rng: random.Random) -> Mutation:
    """A block is doubled, taken out, or exchanged with another."""
    a, b = _block(data, rng)
    way = rng.choice(("doubled", "taken out", "exchanged", "put elsewhere"))
    if way == "doubled":
        return data[:b] + data[a:b] * rng.choice((1, 1, 3)) + data[b:], "block doubled"
    if way == "taken out":
        return data[:a] + data[b:], "block taken out"
    size = b - a
    c = rng.randrange(max(1, len(data) - size + 1))
    out = bytearray(data)
    if way == "exchanged":
        out[a:b], out[c : c + size] = data[c : c + size], data[a:b]
    else:
        out[c : c + size] = data[a:b]
    return bytes(out), f"block {way}"


def fill_block(data: bytes, rng: random.Random) -> Mutation:
    """A block is set to zeros, ones or noise."""
    a, b = _block(data, rng)
    kind = rng.choice(("zeros", "ones", "noise"))
    size = b - a
    fill = {"zeros": bytes(size), "ones": b"\xff" * size, "noise": rng.randbytes(size)}[kind]
    return data[:a] + fill + data[b:], f"block of {kind}"


def change_field(fields: tuple[bytes, ...], data: bytes, rng: random.Random) -> Mutation:
    """A number in or just before a known part of a header is replaced."""
    known = [field for field in fields if field in data]
    if not known:
        return flip_bytes(data, rng)
    name = rng.choice(known)
    at = rng.choice([match.start() for match in re.finditer(re.escape(name), data)])
    step = rng.choice((1, 2, 4))
    place = at - 4 if rng.random() < 0.2 else at + len(name) + step * rng.randrange(48 // step)
    size = rng.choice((1, 2, 4, 4, 8))
    if not 0 <= place <= len(data) - size:
        return flip_bytes(data, rng)
    order = rng.choice(("big", "little"))
    old = int.from_bytes(data[place : place + size], order)  # type: ignore[arg-type]
    new = rng.choice(
        (
            rng.choice(_VALUES),
            rng.choice(_LARGE),
            rng.getrandbits(8 * size),
            *(old + 1, old - 1, 2 * old, old // 2, old ^ 1 << rng.randrange(8 * size)),
        )
    ) % (1 << 8 * size)
    value = new.to_bytes(size, order)  # type: ignore[arg-type]
    return data[:place] + value + data[place + size :], f"{name!r}{place - at:+d}: {old} to {new}"


def with_png_checks(data: bytes) -> bytes:
    """PNG whose chunks have right check sums again, as far as its chunks can be followed."""
    out, at = bytearray(data), 8
    while at + 12 <= len(out):
        size = struct.unpack(">I", out[at : at + 4])[0]
        end = at + 8 + size
        if end + 4 > len(out):
            break
        out[end : end + 4] = struct.pack(">I", zlib.crc32(bytes(out[at + 4 : end])))
        at = end + 4
    return bytes(out)


# --- texts ------------------------------------------------------------------------------------

_FACTORS = (0, -1, 10, 0.1, 1e3, 1e-3, 1e6, 1e-6, 1e12, 0.5, 2, 0.7, 1.4, 0.9, 1.1, 0.99, 1.001)
_TOKEN = re.compile(r'"[^"\n]*"|[\w.+-]+|\[\[?|\]\]?|[^\s\w]|\n', re.ASCII)
NUMBERS = (
    *("0", "-0", "-1", "1", "nan", "-nan", "inf", "-inf", "1e999", "1e308", "-1e308", "1e-320"),
    *("1e-9", "9" * 5000, "0." + "3" * 5000, "0x10", "0o7", "0b1", "1_000", "1e5", "1000000000"),
    *("99999999999999999999", "1.5.2", "--1", "+1", "1,5", "1e", ".5", "5.", "1979-05-27"),
    *("1979-05-27T07:32:00Z", "9999-12-31", "0001-01-01", "07:32:00", "true", "false", "\u0661"),
)
WORDS = (
    *('""', '"x"', '"nan"', '"\\u0000"', '"' + "y" * 300 + '"', '"../../etc/passwd"', '"/"', '"."'),
    *("[]", "{}", "[1, 2]", "[[]]", "{a = 1}", '["a"]', "''", '"\u202e\u200b\U0001f9ea"', "null"),
    *('"\\ud800"', '"a\\nb"', '"\\u001b[31m"', '"caf\u00e9"', '"%s%n{0}"', '"CON"', '"C:\\\\x"'),
    *("[nan, inf]", "1979-05-27", '"r.toml"', '"a.csv"', '"1e400"', "[0, 0, 0, 0]", '"\u221e"'),
)
_JUNK = (
    "\x00",
    "\x1b[31m",
    "\ufeff",
    "\u2028",
    "\u202e",
    "\r",
    "\x0c",
    "\U0001f9ea",
    "\u00e9",
    "\x85",
)


def change_text(data: bytes, rng: random.Random) -> Mutation:
    """A text with tokens, lines, signs or its coding changed."""
    text = data.decode("utf-8", "surrogateescape")
    change = rng.choice(_TEXT_WAYS)
    new, way = change(text, rng)
    if isinstance(new, bytes):
        return new, way
    return new.encode("utf-8", "surrogateescape"), way


def _tokens(text: str, wanted: Callable[[str], bool]) -> list[re.Match[str]]:
    return [m for m in _TOKEN.finditer(text) if wanted(m.group())]


def _is_number(token: str) -> bool:
    return bool(re.fullmatch(r"[+-]?\d[\d.eE+-]*", token))


def _replaced(text: str, match: re.Match[str], new: str) -> str:
    return text[: match.start()] + new + text[match.end() :]


def _other_number(text: str, rng: random.Random) -> tuple[str, str]:
    """A number becomes an absurd one, or another of the same kind."""
    found = _tokens(text, _is_number)
    if not found:
        return _other_word(text, rng)
    match = rng.choice(found)
    old = match.group()
    new = rng.choice(NUMBERS)
    if rng.random() < 0.7:
        try:
            value = float(old)
        except ValueError:
            value = 1.0
        # Gentle ones too: what is refused at the door tests nothing behind it.
        factor = rng.choice(_FACTORS)
        new = f"{value * factor:.10g}"
    return _replaced(text, match, new), f"{old[:20]} to {new[:20]}"


def _other_word(text: str, rng: random.Random) -> tuple[str, str]:
    """Any token becomes something of another type."""
    found = _tokens(text, lambda token: token != "\n")
    if not found:
        return rng.choice(WORDS), "a word alone"
    match = rng.choice(found)
    new = rng.choice(WORDS + NUMBERS)
    return _replaced(text, match, new), f"{match.group()[:20]} to {new[:20]!r}"


def _swap_tokens(text: str, rng: random.Random) -> tuple[str, str]:
    found = _tokens(text, lambda token: token != "\n")
    if len(found) < 2:
        return _other_word(text, rng)
    a, b = sorted(rng.sample(found, 2), key=lambda m: m.start())
    new = text[: a.start()] + b.group() + text[a.end() : b.start()] + a.group() + text[b.end() :]
    return new, f"{a.group()[:20]} and {b.group()[:20]} exchanged"


def _lines(text: str, rng: random.Random) -> tuple[str, str]:
    """Lines missing, doubled, exchanged, in another order."""
    lines = text.split("\n")
    k, way = (
        rng.randrange(len(lines)),
        rng.choice(("out", "double", "swap", "many", "half", "sort")),
    )
    if way == "out":
        del lines[k]
    elif way == "double":
        lines.insert(rng.randrange(len(lines) + 1), lines[k])
    elif way == "swap":
        n = rng.randrange(len(lines))
        lines[k], lines[n] = lines[n], lines[k]
    elif way == "many":
        lines[k:k] = [lines[k]] * rng.choice((50, 2000))
    elif way == "half":
        lines[k] = lines[k][: rng.randrange(len(lines[k]) + 1)]
    else:
        lines[k:] = sorted(lines[k:])
    return "\n".join(lines), f"line {k + 1} {way}"


def _nest(text: str, rng: random.Random) -> tuple[str, str]:
    """Brackets within brackets, keys within keys, rows of a hundred thousand cells."""
    depth = rng.choice((20, 300, 3000, 60_000))
    deep = rng.choice(
        (
            "a = " + "[" * depth + "]" * depth,
            "a = " + "{a = " * depth + "1" + "}" * depth,
            ".".join(["a"] * depth) + " = 1",
            "[" + ".".join(["a"] * depth) + "]",
            "[" * depth,
            '{"a":' * depth,
            "1," * depth,
            "1;" * depth,
            '"' * depth,
            "x" * depth,
        )
    )
    lines = text.split("\n")
    lines.insert(rng.randrange(len(lines) + 1), deep)
    return "\n".join(lines), f"nested or long, {depth}"


def _signs(text: str, rng: random.Random) -> tuple[str, str]:
    """A sign that does not belong there, or one that is missing."""
    at = rng.randrange(len(text) + 1)
    if rng.random() < 0.3:
        return text[:at] + text[at + 1 :], f"sign {at} missing"
    junk = rng.choice(_JUNK + tuple("\"',;=[]{}#\\\t "))
    return text[:at] + junk + text[at:], f"{junk!r} put in at {at}"


def _coding(text: str, rng: random.Random) -> tuple[str | bytes, str]:
    """Another coding, other line ends, decimal commas, another separator."""
    way = rng.choice(
        (
            *("utf-8-sig", "utf-16", "utf-16-le", "utf-32", "cp1252", "cp037", "utf-7"),
            *("\r\n", "\r", "comma", "semicolon", "tab", "upper", "twice", "blank"),
        )
    )
    changes: dict[str, Callable[[], str]] = {
        "\r\n": lambda: text.replace("\n", "\r\n"),
        "\r": lambda: text.replace("\n", "\r"),
        "comma": lambda: text.replace(".", ","),
        "semicolon": lambda: text.replace(",", ";"),
        "tab": lambda: text.replace(",", "\t"),
        "upper": text.upper,
        "twice": lambda: text + text,
        "blank": lambda: "" if rng.random() < 0.5 else " \n" * 20,
    }
    if way in changes:
        return changes[way](), f"text {way!r}"
    return text.encode(way, "replace"), f"coded as {way}"


def _cut_text(text: str, rng: random.Random) -> tuple[str, str]:
    at = rng.randrange(len(text) + 1)
    return text[:at], f"cut after {at} signs"


_TEXT_WAYS: tuple[Callable[[str, random.Random], tuple[str | bytes, str]], ...] = (
    *(_other_number, _other_number, _other_number, _other_number, _other_word, _other_word),
    *(_swap_tokens, _swap_tokens, _lines, _lines, _nest, _signs, _coding, _cut_text),
)


# --- JSON -------------------------------------------------------------------------------------

_NODES: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 1, 0.5, 1e308, -1e308, 1e-320, 10**400, float("nan"), float("inf")),
    *("", "x", "nan", "1.0", "2026-13-45", "\ud800", "\x00", [], {}, [1, 2], {"a": {}}, [[[]]]),
    *([None], [float("nan")], "y" * 5000, 2**63, -(2**63), "9999-12-31", "A", "mL", "mol/L"),
)


def change_json(data: bytes, rng: random.Random) -> Mutation:
    """A value, a name or a list of a JSON text replaced by something that is valid JSON."""
    try:
        tree = json.loads(data)
    except (ValueError, RecursionError):
        return change_text(data, rng)
    places: list[tuple[Any, Any]] = []

    def walk(node: Any) -> None:
        items = node.items() if isinstance(node, dict) else enumerate(node)
        for key, child in items:
            places.append((node, key))
            if isinstance(child, dict | list):
                walk(child)

    if not isinstance(tree, dict | list):
        return change_text(data, rng)
    walk(tree)
    if not places:
        return change_text(data, rng)
    node, key = rng.choice(places)
    old = node[key]
    way = rng.choice(("value", "value", "number", "out", "name", "double"))
    if way == "number" and isinstance(old, float):
        node[key] = old * rng.choice((0, -1, 10, 0.1, 1e6, 1e-6, 1e300, 0.99, 2))
    elif way == "out":
        del node[key]
    elif way == "name" and isinstance(node, dict):
        node[rng.choice(("", "x", "value", "unit", str(key) + " ", "\x00"))] = node.pop(key)
    elif way == "double" and isinstance(node, list):
        node[key:key] = [old] * rng.choice((1, 3, 3000))
    else:
        node[key] = rng.choice(_NODES)
    text = json.dumps(tree)
    return text.encode("utf-8", "surrogatepass"), f"{way} at {str(key)[:30]}"
