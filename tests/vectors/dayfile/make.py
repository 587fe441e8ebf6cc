#!/usr/bin/env python3
"""Makes the test vectors of the day file anew, from docs/dayfile.md and not from the program.

    python3 tests/vectors/dayfile/make.py

Writes one file a case into this folder, each with one fault at most, and `expected.json` with the answer a reader must
give. Needs `openssl` (Ed25519 signatures) and `age` (sealed files). People and places are invented; the keys are for
these files only. Sealed files differ in every run, because their keys are drawn anew; all others do not.
"""

import hashlib
import json
import pathlib
import struct
import subprocess
import tempfile
import zlib

HERE = pathlib.Path(__file__).parent
PHONE = "01970000-0000-7000-8000-0000000000aa"
OTHER_PHONE = "01970000-0000-7000-8000-0000000000bb"
OP1 = "01970000-0000-7000-8000-000000000001"
OP2 = "01970000-0000-7000-8000-000000000002"
SITE = "01970000-0000-7000-8000-000000000011"
TANK = "01970000-0000-7000-8000-000000000012"
STOP = "01970000-0000-7000-8000-000000000013"
AT = "2026-06-17T09:00:00.000-05:00"
JPEG = bytes.fromhex(  # a grey dot, 1 by 1
    "ffd8ffe000104a46494600010100000100010000ffdb00430050373c463c32504641465a55505f78c882786e6e78f5afb991"
    "c8ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffc0000b08000100010101"
    "1100ffc40014000100000000000000000000000000000000ffc40014100100000000000000000000000000000000ffda0008"
    "010100003f003fffd9"
)
SEED = bytes([42] * 32)  # the secret key of the phone, for these files only


def run(*command, data=None):
    return subprocess.run(command, input=data, capture_output=True, check=True).stdout


def key_file(seed):
    der = bytes.fromhex("302e020100300506032b657004220420") + seed  # RFC 8410
    path = pathlib.Path(tempfile.mkdtemp()) / "key.der"
    path.write_bytes(der)
    return path


def public_key(seed):
    der = run("openssl", "pkey", "-in", key_file(seed), "-inform", "DER", "-pubout", "-outform", "DER")
    return der[-32:].hex()


def sign(seed, message):
    path = pathlib.Path(tempfile.mkdtemp()) / "message"
    path.write_bytes(message)
    return run("openssl", "pkeyutl", "-sign", "-rawin", "-inkey", key_file(seed), "-keyform", "DER", "-in", path).hex()


KEY = public_key(SEED)


def compact(value):
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def field(value, op=OP1, at=AT):
    return {"value": value, "at": at, "op": op}


def record(id, **fields):
    return {"id": id, "fields": {name: field(value) for name, value in fields.items()}}


def lines(*records):
    return ("\n".join(compact(r) for r in records) + "\n").encode()


SITE_RECORD = record(SITE, name="Invented farm, Ñandú", lat_e7=441234567, lon_e7=-939876543, due_on=None, removed=0)
TANK_RECORD = record(TANK, site=SITE, place=0, name="", removed=0)
STOP_RECORD = record(STOP, site=SITE, day="2026-06-17", place=0, station="leave", removed=0)
OP = {"id": OP1, "at": AT, "label": "new site", "undoable": False,
      "changes": [{"table": "site", "id": SITE, "field": "name", "new": "Invented farm, Ñandú"}]}
UNDO = {"id": OP2, "at": AT, "stop": STOP, "label": "note", "undoable": False, "undoes": OP1,
        "changes": [{"table": "site", "id": SITE, "field": "note", "old": "", "new": ""},
                    {"table": "site", "id": SITE, "field": "due_on", "old": None, "new": None}]}


def good_parts():
    photo = hashlib.sha256(JPEG).hexdigest()
    return {
        "README.txt": b"A test vector. Everything in it is invented.\n",
        "records/site.jsonl": lines(SITE_RECORD),
        "records/tank.jsonl": lines(TANK_RECORD),
        "records/stop.jsonl": lines(STOP_RECORD),
        "log.jsonl": lines(OP, UNDO),
        "csv/stops.csv": b"day,site\r\n2026-06-17,\"Invented farm\"\r\n",
        "map.geojson": b'{"type":"FeatureCollection","features":[]}\n',
        "signatures/%s.svg" % STOP: b'<svg xmlns="http://www.w3.org/2000/svg"/>\n',
        "photos/%s.jpg" % photo: JPEG,
    }


MEDIA = {"txt": "text/plain", "jsonl": "application/jsonl", "csv": "text/csv", "geojson": "application/geo+json",
         "svg": "image/svg+xml", "jpg": "image/jpeg"}


def manifest(parts, **changes):
    made = {
        "format": 1,
        "needs": "0.1.0",
        "program": "make.py",
        "phone": PHONE,
        "truck": "Truck 2",
        "day": "2026-06-17",
        "partial": False,
        "sequence": 3,
        "follows": hashlib.sha256(b"the file before").hexdigest(),
        "created_at": "2026-06-17T18:00:00-05:00",
        "book_form": 1,
        "key": KEY,
        "parts": [
            {"name": name, "media_type": MEDIA.get(name.rsplit(".", 1)[-1], "text/plain"), "bytes": len(data),
             "sha256": hashlib.sha256(data).hexdigest()}
            for name, data in parts.items()
        ],
    }
    made.update(changes)
    return made


class Entry:
    """One entry of a zip, honest unless told otherwise."""

    def __init__(self, name, data=b"", method=8, mode=0o100644, flags=0, size=None, packed=None, raw_name=None):
        self.name = raw_name if raw_name is not None else name.encode()
        self.data = data
        self.method = method
        self.mode = mode
        self.flags = flags
        self.packed = packed if packed is not None else self.pack(data, method)
        self.size = len(data) if size is None else size
        self.crc = zlib.crc32(data)

    @staticmethod
    def pack(data, method):
        if method == 8:
            pack = zlib.compressobj(9, zlib.DEFLATED, -15)
            return pack.compress(data) + pack.flush()
        if method == 12:
            import bz2
            return bz2.compress(data)
        return data

    def fields(self):
        return struct.pack("<HHHHHIII", 20, self.flags, self.method, 0x9000, 0x5CD1, self.crc, len(self.packed), self.size)

    def local(self):
        return b"PK\3\4" + self.fields() + struct.pack("<HH", len(self.name), 0) + self.name + self.packed

    def central(self, offset):
        return (b"PK\1\2" + struct.pack("<H", 0x031E) + self.fields()
                + struct.pack("<HHHHHII", len(self.name), 0, 0, 0, 0, self.mode << 16, offset) + self.name)


def zip_bytes(entries, central=None, zip64=False, count=None, comment=b""):
    """A zip of these entries; `central` lists (entry, index of the local header it points at) when it is to lie."""
    out, offsets = b"", []
    for entry in entries:
        offsets.append(len(out))
        out += entry.local()
    listed = central if central is not None else [(entry, i) for i, entry in enumerate(entries)]
    directory = b"".join(entry.central(offsets[i]) for entry, i in listed)
    start, number = len(out), len(listed) if count is None else count
    out += directory
    if zip64:
        place = len(out)
        out += b"PK\6\6" + struct.pack("<QHHIIQQQQ", 44, 45, 45, 0, 0, number, number, len(directory), start)
        out += b"PK\6\7" + struct.pack("<IQI", 0, place, 1)
        out += b"PK\5\6" + struct.pack("<HHHHIIH", 0, 0, 0xFFFF, 0xFFFF, 0xFFFFFFFF, 0xFFFFFFFF, 0)
    else:
        out += b"PK\5\6" + struct.pack("<HHHHIIH", 0, 0, number, number, len(directory), start, len(comment)) + comment
    return out


def entries(parts, sheet=None, seed=SEED, signature=True, methods=None):
    """The entries of a day file with these parts."""
    sheet = sheet if sheet is not None else manifest(parts)
    text = sheet if isinstance(sheet, bytes) else (json.dumps(sheet, ensure_ascii=False, indent=1) + "\n").encode()
    made = [Entry("manifest.json", text)]
    if signature:
        made.append(Entry("manifest.sig", (sign(seed, text) + "\n").encode() if signature is True else signature))
    for name, data in parts.items():
        made.append(Entry(name, data, 0 if name.endswith(".jpg") else 8))
    return made


CASES = {}


def case(name, answer, data, about, **how):
    (HERE / (name + ".lidmark")).write_bytes(data)
    CASES[name] = {"answer": answer, "about": about, **how}


def with_part(name, data):
    parts = good_parts()
    parts[name] = data
    return zip_bytes(entries(parts))


def with_extra(entry):
    return zip_bytes(entries(good_parts()) + [entry])


def main():
    for old in HERE.glob("*.lidmark"):
        old.unlink()
    parts = good_parts()
    good = zip_bytes(entries(parts))
    case("good", "ok", good, "nothing is wrong with it")
    case("good-trusted", "ok", good, "signed by a phone the office trusts", trust=[[PHONE, KEY]])
    case("good-unsigned", "ok", zip_bytes(entries(parts, manifest(parts, key=None), signature=False)), "not signed, and nobody asks for it")
    case("good-zip64", "ok", zip_bytes(entries(parts), zip64=True), "a zip of the zip64 kind")
    case("good-comment", "ok", zip_bytes(entries(parts), comment=b"PK\5\6 is not the end"), "a zip with a remark at its end")
    case("good-first", "ok", zip_bytes(entries(parts, manifest(parts, sequence=1, follows=None))), "the first file of a phone follows nothing")
    unknown = dict(parts, **{"extra/later.bin": b"\0\1"})
    case("good-more-parts", "ok", zip_bytes(entries(unknown)), "a listed part nobody knows: checked and left alone")

    # What is no day file, or not all of one.
    case("empty", "not-a-day-file", b"", "no bytes at all")
    case("text", "not-a-day-file", b"hello\n" * 10, "some text")
    case("empty-zip", "no-manifest", zip_bytes([]), "a zip without entries")
    case("junk-before", "not-a-day-file", b"MZ" + b"\0" * 62 + good, "something stands before the zip, as in a program that unpacks itself")
    case("cut-half", "cut-off", good[: len(good) // 2], "the second half is missing")
    case("cut-one-byte", "cut-off", good[:-1], "the last byte is missing")

    # One changed byte.
    flipped = bytearray(good)
    place = good.index(JPEG) + len(JPEG) // 2
    flipped[place] ^= 1
    case("flipped-photo", "wrong-hash", bytes(flipped), "one bit of a photo is turned over")
    flipped = bytearray(good)
    place = good.index(Entry.pack(parts["records/site.jsonl"], 8)) + 20
    flipped[place] ^= 1
    case("flipped-record", "wrong-hash", bytes(flipped), "one bit of a packed part is turned over")
    flipped = bytearray(good)
    flipped[good.rindex(b"PK\1\2") + 42] ^= 1
    case("flipped-directory", "damaged", bytes(flipped), "one bit of a place in the directory is turned over")

    # The manifest.
    rest = entries(parts)
    case("no-manifest", "no-manifest", zip_bytes(rest[2:]), "there is none")
    case("manifest-second", "no-manifest", zip_bytes([rest[2], rest[0], rest[1]] + rest[3:]), "it is not the first entry")
    case("manifest-no-json", "bad-manifest", zip_bytes(entries(parts, b"not json\n")), "it is not JSON")
    bare = manifest(parts)
    del bare["day"]
    case("manifest-no-day", "bad-manifest", zip_bytes(entries(parts, bare)), "it has no day")
    case("manifest-more", "bad-manifest", zip_bytes(entries(parts, manifest(parts, colour="red"))), "it has a member form 1 does not know")
    case("manifest-bad-date", "bad-manifest", zip_bytes(entries(parts, manifest(parts, day="2026-02-30"))), "its day does not exist")
    case("manifest-twice-listed", "duplicate", zip_bytes(entries(parts, dict(manifest(parts), parts=manifest(parts)["parts"] * 2))), "it lists each part twice")
    case("newer-form", "too-new", zip_bytes(entries(parts, manifest(parts, format=2, needs="9.9.9", shape="unheard of"))), "a form of the future")
    case("newer-book", "too-new", zip_bytes(entries(parts, manifest(parts, book_form=100000, needs="9.9.9"))), "records of a book of the future")

    # The signature.
    sheet = manifest(parts)
    signed = entries(parts, sheet)
    changed = json.dumps(dict(sheet, truck="Truck 3"), ensure_ascii=False, indent=1).encode()
    case("manifest-changed", "bad-signature", zip_bytes([Entry("manifest.json", changed)] + signed[1:]), "changed after it was signed")
    changed = json.dumps(dict(sheet, format=2), ensure_ascii=False, indent=1).encode()
    case("manifest-changed-form", "bad-signature", zip_bytes([Entry("manifest.json", changed)] + signed[1:]), "the form changed after it was signed")
    case("signature-other", "bad-signature", zip_bytes(entries(parts, seed=bytes([1] * 32))), "made with another key")
    case("signature-missing", "bad-signature", zip_bytes(entries(parts, signature=False)), "taken away, though the manifest names a key")
    case("signature-of-nobody", "bad-signature", zip_bytes(entries(parts, manifest(parts, key=None))), "there, though the manifest names no key")
    case("signature-short", "bad-signature", zip_bytes(entries(parts, signature=b"00ff\n")), "not 128 digits")
    weak = manifest(parts, key="01" + "00" * 31)
    case("key-weak", "bad-manifest", zip_bytes(entries(parts, weak)), "a key that fits every signature")
    case("unsigned", "unsigned", zip_bytes(entries(parts, manifest(parts, key=None), signature=False)), "not signed, where the office asks for it", trust=[[PHONE, KEY]])
    case("unknown-phone", "unknown-phone", good, "signed by a phone the office does not know", trust=[[OTHER_PHONE, public_key(bytes([2] * 32))]])
    case("other-phone", "other-phone", zip_bytes(entries(parts, manifest(parts, phone=OTHER_PHONE))), "signed by one phone in another's name", trust=[[PHONE, KEY]])

    # Parts and manifest disagree.
    fewer = dict(parts)
    del fewer["csv/stops.csv"]
    case("missing-part", "missing", zip_bytes(entries(fewer, manifest(parts))), "a listed part is not there")
    case("unlisted-part", "unlisted", zip_bytes(entries(parts, manifest(fewer))), "a part is not listed")
    longer = dict(parts, **{"csv/stops.csv": parts["csv/stops.csv"] + b"x"})
    case("wrong-size", "wrong-size", zip_bytes(entries(longer, manifest(parts))), "a part is longer than listed")
    other = dict(parts, **{"csv/stops.csv": parts["csv/stops.csv"].replace(b"farm", b"harm")})
    case("wrong-hash", "wrong-hash", zip_bytes(entries(other, manifest(parts))), "a part is another of the same length")
    case("photo-misnamed", "bad-name", with_part("photos/" + "ab" * 32 + ".jpg", JPEG), "a photo does not have its hash for a name")

    # Names and kinds of entries.
    for name, bad in {
        "name-up": "../evil.txt", "name-up-inside": "csv/../../evil.txt", "name-absolute": "/etc/evil.txt",
        "name-backslash": "csv\\evil.txt", "name-drive": "C:evil.txt", "name-deep": "a/b/c.txt", "name-hidden": ".evil",
        "name-device": "csv/nul.txt", "name-space": "csv/a b.txt", "name-long": "csv/" + "a" * 100 + ".txt",
        "name-not-ascii": "csv/ñ.txt", "name-line-break": "csv/a\nb.txt", "name-zero": "csv/a\0.txt",
    }.items():
        case(name, "bad-name", with_part(bad, b"x"), "an entry with the name %r" % bad)
    case("name-not-utf8", "bad-name", with_extra(Entry("", b"x", raw_name=b"csv/\xff.txt")), "a name that is no text")
    case("link", "not-a-file", with_extra(Entry("csv/link.csv", b"/etc/passwd", 0, 0o120777)), "an entry that is a symbolic link")
    case("folder", "not-a-file", with_extra(Entry("csv/", b"", 0, 0o040755)), "an entry that is a folder")
    twice = entries(parts)
    case("entry-twice", "duplicate", zip_bytes(twice + [Entry("csv/stops.csv", b"other")]), "two entries of one name")
    case("entry-twins", "duplicate", with_part("CSV/Stops.csv", b"other"), "two names that differ in capitals only")
    case("packed-otherwise", "packing", with_extra(Entry("csv/extra.csv", b"x" * 100, 12)), "an entry packed with bzip2")
    case("locked", "packing", with_extra(Entry("csv/extra.csv", b"x" * 100, 8, flags=1)), "an entry locked with a password")

    # Bombs, and zips that show different tools different things.
    case("bomb", "too-dense", with_part("csv/zeros.csv", b"\0" * 8_000_000), "8 MB of zeros in 8 kB")
    giant = Entry("csv/zeros.csv", b"", size=600 * 1024 * 1024, packed=b"\3\0")
    case("bomb-declared", "too-large", with_extra(giant), "an entry that says it has 600 MB")
    zeros = dict(parts, **{"csv/zeros.csv": b"\0" * 1000})
    made = entries(zeros)
    made[-1] = Entry("csv/zeros.csv", b"\0" * 1000, packed=Entry.pack(b"\0" * 1_000_000, 8))
    case("bomb-lying", "wrong-size", zip_bytes(made), "an entry that says 1,000 bytes and unpacks to 1,000,000")
    made = entries(zeros)
    inner = made[-1]
    over = dict(zeros, **{"csv/again.csv": b"\0" * 1000})
    made = entries(over)
    twin = Entry("csv/again.csv", b"\0" * 1000)
    case("overlap", "damaged", zip_bytes(made[:-1], [(e, i) for i, e in enumerate(made[:-1])] + [(twin, len(made) - 2)]), "two entries share their bytes")
    made = entries(parts)
    hidden = Entry("csv/hidden.csv", b"hidden")
    case("hidden-entry", "damaged", zip_bytes(made + [hidden], [(e, i) for i, e in enumerate(made)]), "an entry the directory does not know")

    # Lines.
    def bad_site(name, data, about):
        case("line-" + name, "bad-line", with_part("records/site.jsonl", data), about)

    second = "01970000-0000-7000-8000-000000000010"
    bad_site("no-json", b"{\n", "not JSON")
    bad_site("empty", lines(SITE_RECORD) + b"\n", "an empty line")
    bad_site("twice", lines(SITE_RECORD, SITE_RECORD), "one id twice")
    bad_site("out-of-order", lines(SITE_RECORD, record(second, name="x")), "ids not in ascending order")
    bad_site("unknown-field", lines(record(SITE, colour="red")), "a field sites do not have")
    bad_site("wrong-kind", lines(record(SITE, name=7)), "a number for a name")
    bad_site("bad-date", lines(record(SITE, due_on="2026-02-30")), "a day that does not exist")
    bad_site("fraction", lines(record(SITE, lat_e7=1.5)), "a number with a fraction")
    bad_site("too-large", compact(record(SITE, lat_e7=0)).replace('"value":0', '"value":9223372036854775808').encode() + b"\n", "a number past 64 bits")
    bad_site("bad-id", lines(record("17", name="x")), "an id that is none")
    bad_site("no-stamp", lines({"id": SITE, "fields": {"name": {"value": "x", "at": AT}}}), "a field without its action")
    bad_site("bad-time", lines({"id": SITE, "fields": {"name": field("x", at="yesterday")}}), "a time that is none")
    bad_site("field-twice", b'{"id":"%s","fields":{"name":%s,"name":%s}}\n' % (SITE.encode(), compact(field("a")).encode(), compact(field("b")).encode()), "a field twice")
    bad_site("not-utf8", lines(SITE_RECORD).replace("Ñ".encode(), b"\xff"), "bytes that are no text")
    case("line-unknown-kind", "bad-line", with_part("records/spaceship.jsonl", lines(record(SITE, name="x"))), "records of a kind nobody knows")
    case("log-twice", "bad-line", with_part("log.jsonl", lines(OP, OP)), "one action twice")
    case("log-unknown-kind", "bad-line", with_part("log.jsonl", lines(dict(OP, changes=[{"table": "sqlite_schema", "id": SITE, "field": "name", "new": 1}]))), "a change of a table that holds no records")

    # Sealed files.
    secret = HERE / "office.key"
    secret.unlink(missing_ok=True)
    run("age-keygen", "-o", secret)
    recipient = run("age-keygen", "-y", secret).decode().strip()
    sealed = run("age", "-r", recipient, data=good)
    case("sealed", "ok", sealed, "sealed to the office, with its key", key="office.key")
    case("sealed-no-key", "sealed", sealed, "sealed, and no key is given")
    stranger = pathlib.Path(tempfile.mkdtemp()) / "key"
    run("age-keygen", "-o", stranger)
    case("sealed-other", "wrong-key", run("age", "-r", run("age-keygen", "-y", stranger).decode().strip(), data=good), "sealed to another key", key="office.key")
    case("sealed-cut", "seal-broken", sealed[:-40], "the end is missing", key="office.key")
    flipped = bytearray(sealed)
    flipped[-100] ^= 1
    case("sealed-flipped", "seal-broken", bytes(flipped), "one bit is turned over", key="office.key")
    case("sealed-header-cut", "seal-broken", sealed[:60], "only the beginning of its header is there", key="office.key")
    case("sealed-text", "not-a-day-file", run("age", "-r", recipient, data=b"hello\n" * 10), "something else under the seal", key="office.key")

    (HERE / "expected.json").write_text(json.dumps(CASES, ensure_ascii=False, indent=1, sort_keys=True) + "\n")
    print(len(CASES), "cases")


main()
