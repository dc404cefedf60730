"""The bytes that are hashed, and the ids, against the documents that define them."""

from __future__ import annotations

import hashlib
import json
import time
import uuid

from sumpwright.records.chain import canonical, new_id
from yardkit import Log


def test_the_example_of_rfc_8785_section_3_2_2() -> None:
    # Source: RFC 8785, JSON Canonicalization Scheme, sections 3.2.2 and 3.2.3 (sample object).
    given = json.loads(
        r"""{
          "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
          "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
          "literals": [null, true, false]
        }"""
    )
    wanted = (
        r'{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        r'"string":"€$\u000f\nA' + r"'B\"\\\\\"/" + '"}'
    )
    assert canonical(given).decode() == wanted


def test_the_order_of_keys_of_rfc_8785_section_3_2_3() -> None:
    # Source: RFC 8785, section 3.2.3: keys sorted by UTF-16 code units.
    given = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    assert list(json.loads(canonical(given)).values()) == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


def test_an_entry_can_be_checked_with_the_standard_library_alone() -> None:
    # For plain ASCII keys, short decimals and no exponent, sorted compact JSON is what RFC 8785
    # asks for, so that a reader of the record needs nothing of ours (sha256: FIPS 180-4).
    log = Log()
    log.add("drained", {"volume": 0.0041, "leaned": True, "temperature": 318.25})
    log.add("noted", {"text": 'cold, "dry" and 3 °C'})
    prev = log.events[0].hash
    for event in log.events[1:]:
        plain = event.plain()
        told = plain.pop("hash")
        text = json.dumps(plain, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256(text.encode()).hexdigest() == told
        assert plain["prev"] == prev
        prev = told


def test_an_id_is_a_uuid_of_version_7() -> None:
    # Source: RFC 9562, section 5.7: 48 bits of Unix time in ms, version 7, variant 0b10.
    before = time.time_ns() // 1_000_000
    made = uuid.UUID(new_id())
    after = time.time_ns() // 1_000_000
    # Ids made within one millisecond take the next ones (section 6.2, monotonicity), so that a
    # process that has made thousands at once is ahead of the clock by as many milliseconds.
    assert before - 1 <= made.int >> 80 <= after + 60_000
    assert (made.int >> 76) & 0xF == 7
    assert (made.int >> 62) & 0b11 == 0b10
