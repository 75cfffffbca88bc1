"""The adaptor of FHIRPath's engine gives what FHIRPath N1 says an expression gives.

Specification: FHIRPath N1 (hl7.org/fhirpath/N1); the sections are named by its numbers. Examples and
rules are quoted from memory. A list is what an expression gives; NOT_EVALUATED is an error by the
specification, which the adaptor must answer as not evaluated, and never as a result.
"""

from __future__ import annotations

import contextlib
from decimal import Decimal

import pytest

from fhirdrain.conformance.fhirpath import CannotEvaluate
from tests.conformance.asking import ask, table, told

NOT_EVALUATED = "not evaluated"
T, F, NONE = [True], [False], []
UCUM = "http://unitsofmeasure.org"


def ucum(value, code):
    return [{"value": Decimal(value), "system": UCUM, "code": code}]


def dec(text):
    return [Decimal(text)]


PATIENT = {
    "resourceType": "Patient",
    "id": "invented-1",
    "active": True,
    "birthDate": "1974-12-25",
    "name": [
        {"use": "official", "family": "Quince", "given": ["Peter", "James"]},
        {"use": "usual", "given": ["Jim"]},
        {"use": "maiden", "family": "Wyndham", "given": ["Peter", "James"]},
    ],
    "telecom": [{"system": "phone", "value": "0", "rank": 1}, {"system": "email", "value": "a@b"}],
    "maritalStatus": {"coding": [{"code": "M"}], "text": "married"},
    "multipleBirthInteger": 2,
}

# -- literals, paths, singletons (sections 3, 4) ---------------------------------------------------

LANGUAGE = {
    "3 Path Selection": [
        ("Patient.name.given", ["Peter", "James", "Jim", "Peter", "James"]),
        ("name.given", ["Peter", "James", "Jim", "Peter", "James"]),
        ("name.family", ["Quince", "Wyndham"]),
        ("name.nothing", NONE),
        ("Patient.name[0].given[1]", ["James"]),
        ("name[5]", NONE),
        ("name.`given`[2]", ["Jim"]),
        ("Observation.status", NOT_EVALUATED),
    ],
    "4.1 Literals": [
        ("true", T),
        ("false", F),
        ("'test string'", ["test string"]),
        (r"'it\'s'", ["it's"]),
        (r"'a\r\n\t\f\\b'", ["a\r\n\t\f\\b"]),
        (r"'\"\`\/'", ['"`/']),
        (r"'\u0050eter \u00e9'", ["Peter é"]),
        (r"'urn:oid:3.4.5'", ["urn:oid:3.4.5"]),
        ("45", [45]),
        ("3.14159265", dec("3.14159265")),
        ("0.00", dec("0")),
        ("@2015-02-04", ["2015-02-04"]),
        ("@2015-02", ["2015-02"]),
        ("@2015-02-04T14:34:28+09:00", ["2015-02-04T14:34:28+09:00"]),
        ("@2015-02-04T14:34:28Z", ["2015-02-04T14:34:28Z"]),
        ("@2015-13", NOT_EVALUATED),
        ("@T25", NOT_EVALUATED),
        ("4.5 'mg'", ucum("4.5", "mg")),
        ("100 '[degF]'", ucum("100", "[degF]")),
        ("{}", NONE),
        ("{ }", NONE),
        ("// a comment\n1", [1]),
        ("1 /* a comment\n of two lines */ + 1", [2]),
    ],
    "4.1.7 Time": [
        ("@T14:34:28 = @T14:34:28", T),
        ("@T14:30 is Time", T),
        ("@T14:30 is DateTime", F),
        ("@2015-02-04T14 is DateTime", T),
        ("@2015-02-04 is Date", T),
    ],
    "4.4 Null and empty": [
        ("{}.count()", [0]),
        ("{} + 1", NONE),
        ("name.nothing = 1", NONE),
        ("{}.first()", NONE),
        ("{}.substring(1)", NONE),
        ("{}.abs()", NONE),
        ("{}.upper()", NONE),
        ("'a' + {}", NONE),
    ],
    "4.5 Singleton Evaluation of Collections": [
        ("maritalStatus and active", T),
        ("'a' and true", T),
        ("name and true", NOT_EVALUATED),
        ("{} and true", NONE),
        ("(1 | 2) + 1", NOT_EVALUATED),
        ("('a' | 'b').upper()", NOT_EVALUATED),
        ("(1 | 2) > 1", NOT_EVALUATED),
    ],
}

# -- functions (section 5) -------------------------------------------------------------------------

FUNCTIONS = {
    "5.1.1 empty": [("{}.empty()", T), ("name.empty()", F)],
    "5.1.2 exists": [
        ("Patient.name.exists()", T),
        ("name.exists(use = 'official')", T),
        ("name.exists(use = 'old')", F),
        ("{}.exists()", F),
    ],
    "5.1.3 all": [
        ("name.given.all($this.length() > 2)", T),
        ("name.all(family.exists())", F),
        ("{}.all(false)", T),
    ],
    "5.1.4 allTrue": [
        ("name.select(given.count() > 0).allTrue()", T),
        ("name.select(family.exists()).allTrue()", F),
        ("{}.allTrue()", T),
    ],
    "5.1.5 anyTrue": [("(true | false).anyTrue()", T), ("{}.anyTrue()", F)],
    "5.1.6 allFalse": [("(true | false).allFalse()", F), ("{}.allFalse()", T)],
    "5.1.7 anyFalse": [("(true | false).anyFalse()", T), ("{}.anyFalse()", F)],
    "5.1.8 subsetOf": [
        ("(1 | 2).subsetOf(1 | 2 | 3)", T),
        ("(1 | 4).subsetOf(1 | 2 | 3)", F),
        ("{}.subsetOf(1)", T),
        ("(1).subsetOf({})", F),
        ("name[0].given.subsetOf(name[2].given)", T),
    ],
    "5.1.9 supersetOf": [
        ("(1 | 2 | 3).supersetOf(1 | 2)", T),
        ("(1 | 2).supersetOf(3)", F),
        ("(1 | 2).supersetOf({})", T),
    ],
    "5.1.10 count": [("name.count()", [3]), ("{}.count()", [0])],
    "5.1.11 distinct": [
        ("name.given.distinct().count()", [3]),
        ("(1).combine(1.0).distinct().count()", [1]),
        ("(1).combine('1').distinct().count()", [2]),
        ("(1).combine(true).distinct().count()", [2]),
    ],
    "5.1.12 isDistinct": [
        ("name.given.isDistinct()", F),
        ("name.use.isDistinct()", T),
        ("{}.isDistinct()", T),
    ],
    "5.2.1 where": [
        ("name.where(use = 'usual').given", ["Jim"]),
        ("name.given.where($this = 'Jim')", ["Jim"]),
        ("telecom.where(rank = 1).system", ["phone"]),
        ("name.where($index = 1).use", ["usual"]),
        ("name.where({})", NONE),
    ],
    "5.2.2 select": [
        ("name.select(given.first())", ["Peter", "Jim", "Peter"]),
        ("name.given.select($this.length())", [5, 5, 3, 5, 5]),
        ("name.select(nothing)", NONE),
        ("name.select($index)", [0, 1, 2]),
    ],
    "5.2.4 ofType": [
        ("(1).combine('a').combine(2.5).ofType(Integer)", [1]),
        ("(1).combine('a').ofType(System.String)", ["a"]),
        ("(1).combine(true).ofType(Boolean)", [True]),
    ],
    "5.3.1 indexer": [("(10 | 20 | 30)[1]", [20]), ("(10)[7]", NONE), ("(10)[{}]", NONE)],
    "5.3.2 single": [
        ("(1).single()", [1]),
        ("{}.single()", NONE),
        ("name.single()", NOT_EVALUATED),
    ],
    "5.3.3 first to take": [
        ("(1 | 2 | 3).first()", [1]),
        ("(1 | 2 | 3).last()", [3]),
        ("(1 | 2 | 3).tail()", [2, 3]),
        ("(1).tail()", NONE),
        ("(1 | 2 | 3).skip(1)", [2, 3]),
        ("(1 | 2 | 3).skip(0)", [1, 2, 3]),
        ("(1 | 2 | 3).skip(-1)", [1, 2, 3]),
        ("(1 | 2 | 3).skip(9)", NONE),
        ("(1 | 2 | 3).take(2)", [1, 2]),
        ("(1 | 2 | 3).take(0)", NONE),
        ("(1 | 2 | 3).take(-1)", NONE),
        ("(1 | 2 | 3).take(9)", [1, 2, 3]),
    ],
    "5.3.8 intersect": [
        ("(1 | 2 | 3).intersect(2 | 4)", [2]),
        ("(1).combine(1).intersect(1)", [1]),
        ("(1 | 2).intersect({})", NONE),
    ],
    "5.3.9 exclude": [
        ("(1 | 2 | 3).exclude(2)", [1, 3]),
        ("(1).combine(1).combine(2).exclude(2)", [1, 1]),
        ("(1 | 2).exclude({})", [1, 2]),
    ],
    "5.4.1 union": [
        ("(1).combine(1).combine(2).combine(3).union(2 | 3)", [1, 2, 3]),
        ("name.select(use.union(given)).count()", [8]),
        ("name.select(use | given).count()", [8]),
        ("(1 | 2) | {}", [1, 2]),
    ],
    "5.4.2 combine": [("(1 | 2).combine(2)", [1, 2, 2]), ("{}.combine({})", NONE)],
    "5.5.1 iif": [
        ("iif(true, 1, 2)", [1]),
        ("iif(false, 1, 2)", [2]),
        ("iif({}, 1, 2)", [2]),
        ("iif(false, 1)", NONE),
        ("iif(true, 1, ('a' | 'b').upper())", [1]),
        ("name[0].iif(use = 'official', family, given)", ["Quince"]),
    ],
    "5.5.2 toBoolean": [
        *((f"'{yes}'.toBoolean()", T) for yes in ("true", "t", "yes", "y", "1", "1.0", "TRUE")),
        *((f"'{no}'.toBoolean()", F) for no in ("false", "f", "no", "n", "0", "0.0", "No")),
        ("'maybe'.toBoolean()", NONE),
        ("1.toBoolean()", T),
        ("0.toBoolean()", F),
        ("2.toBoolean()", NONE),
        ("1.0.toBoolean()", T),
        ("1.00.toBoolean()", T),
        ("0.0.toBoolean()", F),
        ("true.toBoolean()", T),
        ("1.convertsToBoolean()", T),
        ("2.convertsToBoolean()", F),
        ("{}.convertsToBoolean()", NONE),
        ("('true' | 'false').toBoolean()", NOT_EVALUATED),
    ],
    "5.5.3 toInteger": [
        ("'1'.toInteger()", [1]),
        ("'-1'.toInteger()", [-1]),
        ("'+1'.toInteger()", [1]),
        ("'1.0'.toInteger()", NONE),
        ("'a'.toInteger()", NONE),
        ("true.toInteger()", [1]),
        ("false.toInteger()", [0]),
        ("1.toInteger()", [1]),
        ("1.5.toInteger()", NONE),
        ("1.0.toInteger()", NONE),
        ("'1'.convertsToInteger()", T),
        ("true.convertsToInteger()", T),
        ("1.1.convertsToInteger()", F),
        ("{}.convertsToInteger()", NONE),
        ("(1 | 2).toInteger()", NOT_EVALUATED),
        ("(1 | 2).convertsToInteger()", NOT_EVALUATED),
    ],
    "5.5.4 toDate": [
        ("'2015-02-04'.toDate() = @2015-02-04", T),
        ("'2015'.toDate()", ["2015"]),
        ("@2015-02-04T14:34:28Z.toDate()", ["2015-02-04"]),
        ("'2015-02-04T14:34:28Z'.toDate()", ["2015-02-04"]),
        ("'15-02-04'.toDate()", NONE),
        ("1.toDate()", NONE),
        ("'2015-02'.convertsToDate()", T),
        ("'2015-02-30x'.convertsToDate()", F),
    ],
    "5.5.5 toDateTime": [
        ("'2015-02-04T14:34:28+09:00'.toDateTime() = @2015-02-04T14:34:28+09:00", T),
        ("@2015-02-04.toDateTime() is DateTime", T),
        ("'2015-02-04'.toDateTime() is DateTime", T),
        ("'noon'.toDateTime()", NONE),
        ("'2015-02-04T14:34'.convertsToDateTime()", T),
        ("'14:34'.convertsToDateTime()", F),
    ],
    "5.5.6 toDecimal": [
        ("'1.1'.toDecimal()", dec("1.1")),
        ("'-1'.toDecimal()", dec("-1")),
        ("1.toDecimal() is Decimal", T),
        ("true.toDecimal()", dec("1.0")),
        ("false.toDecimal()", dec("0.0")),
        ("'1.'.toDecimal()", NONE),
        ("'1.0'.convertsToDecimal()", T),
        ("'x'.convertsToDecimal()", F),
        ("{}.convertsToDecimal()", NONE),
        ("('1' | '2').toDecimal()", NOT_EVALUATED),
    ],
    "5.5.7 toQuantity": [
        ("'4 days'.toQuantity() = 4 days", T),
        ("'10 \\'mg[Hg]\\''.toQuantity()", ucum("10", "mg[Hg]")),
        ("'1.5 \\'mg\\''.toQuantity()", ucum("1.5", "mg")),
        ("1.toQuantity()", ucum("1", "1")),
        ("'1'.toQuantity()", ucum("1", "1")),
        ("true.toQuantity()", ucum("1.0", "1")),
        ("false.toQuantity()", ucum("0.0", "1")),
        ("'1 wik'.toQuantity()", NONE),
        ("'mg'.toQuantity()", NONE),
        ("'1 day'.convertsToQuantity()", T),
        ("'day'.convertsToQuantity()", F),
    ],
    "5.5.8 toString": [
        ("1.toString()", ["1"]),
        ("(-1).toString()", ["-1"]),
        ("1.50.toString()", ["1.50"]),
        ("true.toString()", ["true"]),
        ("false.toString()", ["false"]),
        ("'a'.toString()", ["a"]),
        ("@2014-12-14.toString()", ["2014-12-14"]),
        ("@T14:30.toString()", ["14:30"]),
        ("4 'mg'.toString()", ["4 'mg'"]),
        ("1 'wk'.toString()", ["1 'wk'"]),
        ("1.convertsToString()", T),
        ("4 'mg'.convertsToString()", T),
        ("{}.convertsToString()", NONE),
        ("Patient.convertsToString()", F),
    ],
    "5.5.9 toTime": [
        ("'14:34:28'.toTime() = @T14:34:28", T),
        ("'14:34'.toTime()", ["14:34"]),
        ("'2015'.toTime()", NONE),
        ("'25:00'.toTime()", NONE),
        ("'14:34:28.123'.convertsToTime()", T),
        ("'noon'.convertsToTime()", F),
    ],
    "5.6.1 indexOf": [
        ("'abcdefg'.indexOf('bc')", [1]),
        ("'abcdefg'.indexOf('x')", [-1]),
        ("'abcdefg'.indexOf('abcdefg')", [0]),
        ("'abc'.indexOf('')", [0]),
        ("{}.indexOf('a')", NONE),
        ("'abc'.indexOf({})", NONE),
    ],
    "5.6.2 substring": [
        ("'abcdefg'.substring(3)", ["defg"]),
        ("'abcdefg'.substring(1, 2)", ["bc"]),
        ("'abcdefg'.substring(6, 2)", ["g"]),
        ("'abcdefg'.substring(7, 1)", NONE),
        ("'abcdefg'.substring(-1, 1)", NONE),
        ("'abcdefg'.substring({})", NONE),
        ("'abcdefg'.substring(3, {})", ["defg"]),
        ("'abcdefg'.substring(0, 0)", [""]),
    ],
    "5.6.3 startsWith": [
        ("'abcdefg'.startsWith('abc')", T),
        ("'abcdefg'.startsWith('xyz')", F),
        ("'abcdefg'.startsWith('')", T),
        ("''.startsWith('')", T),
        ("''.startsWith('a')", F),
        ("'abcdefg'.startsWith({})", NONE),
    ],
    "5.6.4 endsWith": [
        ("'abcdefg'.endsWith('efg')", T),
        ("'abcdefg'.endsWith('abc')", F),
        ("'abcdefg'.endsWith('')", T),
        ("''.endsWith('')", T),
    ],
    "5.6.5 contains": [
        ("'abc'.contains('b')", T),
        ("'abc'.contains('bc')", T),
        ("'abc'.contains('d')", F),
        ("'abc'.contains('')", T),
        ("{}.contains('a')", NONE),
        ("'abc'.contains({})", NONE),
    ],
    "5.6.6 upper, lower": [
        ("'abcdefg'.upper()", ["ABCDEFG"]),
        ("'AbCdefg'.upper()", ["ABCDEFG"]),
        ("'ABCDEFG'.lower()", ["abcdefg"]),
        ("'aBcDEFG'.lower()", ["abcdefg"]),
    ],
    "5.6.8 replace": [
        ("'abcdefg'.replace('cde', '123')", ["ab123fg"]),
        ("'abcdefg'.replace('cde', '')", ["abfg"]),
        ("'abc'.replace('', 'x')", ["xaxbxcx"]),
        ("'abc'.replace({}, 'x')", NONE),
    ],
    "5.6.9 matches": [
        ("'abc'.matches('^a.c$')", T),
        ("'abc'.matches('^b')", F),
        ("'a\\nc'.matches('a.c')", T),
        (r"'12'.matches('^\\d+$')", T),
        ("'abc'.matches({})", NONE),
        ("'abc'.matches('(')", NOT_EVALUATED),
    ],
    "5.6.10 replaceMatches": [
        (
            r"'11/30/1972'.replaceMatches('\\b(?<month>\\d{1,2})/(?<day>\\d{1,2})/(?<year>\\d{2,4})\\b',"
            " '${day}-${month}-${year}')",
            ["30-11-1972"],
        ),
        (r"'ab'.replaceMatches('(a)(b)', '$2$1')", ["ba"]),
        ("'abc'.replaceMatches('[ac]', '')", ["b"]),
        (r"'a'.replaceMatches('a', '\\1')", ["\\1"]),
    ],
    "5.6.11 length": [("'abcdefg'.length()", [7]), ("''.length()", [0]), ("{}.length()", NONE)],
    "5.6.12 toChars": [("'abc'.toChars()", ["a", "b", "c"]), ("''.toChars()", NONE)],
    "5.7.1 abs": [
        ("(-5).abs()", [5]),
        ("(-5.5).abs()", dec("5.5")),
        ("(-5.5 'mg').abs()", ucum("5.5", "mg")),
        ("(-5).abs() is Integer", T),
        ("(1 | 2).abs()", NOT_EVALUATED),
    ],
    "5.7.2 ceiling": [
        ("1.ceiling()", [1]),
        ("1.1.ceiling()", [2]),
        ("(-1.1).ceiling()", [-1]),
        ("1.1.ceiling() is Integer", T),
    ],
    "5.7.3 exp": [("0.exp()", [1]), ("(-0.0).exp()", [1])],
    "5.7.4 floor": [
        ("1.floor()", [1]),
        ("2.1.floor()", [2]),
        ("(-2.1).floor()", [-3]),
        ("2.1.floor() is Integer", T),
    ],
    "5.7.5 ln": [("1.ln()", [0]), ("1.0.ln()", [0]), ("0.ln()", NONE), ("(-1).ln()", NONE)],
    "5.7.6 log": [
        ("16.log(2)", [4]),
        ("100.0.log(10.0)", [2]),
        ("16.log({})", NONE),
        ("16.log(1)", NONE),
    ],
    "5.7.7 power": [
        ("2.power(3)", [8]),
        ("2.power(3) is Integer", T),
        ("2.5.power(2)", dec("6.25")),
        ("(-1).power(0.5)", NONE),
        ("(-2).power(3)", [-8]),
        ("4.power(0.5)", [2]),
        ("2.power({})", NONE),
    ],
    "5.7.8 round": [
        ("1.round()", [1]),
        ("3.14159.round(3)", dec("3.142")),
        ("2.5.round()", [3]),
        ("1.4.round()", [1]),
        ("1.round(-1)", NOT_EVALUATED),
    ],
    "5.7.9 sqrt": [("81.sqrt()", [9]), ("(-1).sqrt()", NONE)],
    "5.7.10 truncate": [
        ("101.truncate()", [101]),
        ("1.00000001.truncate()", [1]),
        ("(-1.56).truncate()", [-1]),
        ("(-1.56).truncate() is Integer", T),
        ("'a'.truncate()", NOT_EVALUATED),
    ],
    "5.8 Tree navigation": [
        ("name[1].children().count()", [2]),
        ("name[0].children().count()", [4]),
        ("maritalStatus.descendants().count()", [3]),
        ("{}.children()", NONE),
    ],
    "5.9 Utility functions": [
        ("name.trace('names').count()", [3]),
        ("name.trace('given', given).count()", [3]),
        ("now() = now()", T),
        ("now() is DateTime", T),
        ("today() is Date", T),
        ("timeOfDay() is Time", T),
        ("today() > @2000-01-01", T),
    ],
}

# -- operators (section 6) -------------------------------------------------------------------------

EQUALITY = {
    "6.1.1 Equals": [
        ("1 = 1", T),
        ("1 = 1.0", T),
        ("1 = 2", F),
        ("'a' = 'a'", T),
        ("'a' = 'A'", F),
        ("true = true", T),
        ("1 = true", F),
        ("'1' = 1", F),
        ("{} = {}", NONE),
        ("1 = {}", NONE),
        ("(1 | 2) = (1 | 2)", T),
        ("(1 | 2) = (2 | 1)", F),
        ("(1 | 2) = 1", F),
        ("name[0] = name[0]", T),
        ("name[0] = name[2]", F),
        ("name[0].given = name[2].given", T),
        ("@2012 = @2012", T),
        ("@2012 = @2013", F),
        ("@2012-01 = @2012", NONE),
        ("@2012-01 = @2013", F),
        ("@2012-04-15T10:00:00 = @2012-04-15T10:00:00.0", T),
        ("@T10:30:00 = @T10:30:00.0", T),
        ("@2012-04-15T15:00:00 = @2012-04-15T10", F),
        ("@2012-04-15T10:30 = @2012-04-15T10", NONE),
        ("@2017-11-05T01:30:00.0-04:00 = @2017-11-05T01:15:00.0-05:00", F),
        ("@2017-11-05T01:30:00.0-04:00 = @2017-11-05T00:30:00.0-05:00", T),
        ("4 'L' = 4000 'mL'", T),
        ("4 'g' = 4 'g'", T),
        ("4 'g' = 5 'g'", F),
        ("1 second = 1 's'", T),
        ("1 year = 1 'a'", NONE),
        ("7 days = 1 week", T),
    ],
    "6.1.2 Equivalent": [
        ("{} ~ {}", T),
        ("1 ~ {}", F),
        ("1 ~ 1.0", T),
        ("'abc' ~ 'ABC'", T),
        ("'a\\tb' ~ 'a b'", T),
        ("'abc' ~ 'abd'", F),
        ("(1 | 2) ~ (2 | 1)", T),
        ("(1 | 2) ~ (1 | 3)", F),
        ("(1).combine(1).combine(2) ~ (1).combine(2).combine(2)", F),
        ("1.2 ~ 1.23", T),
        ("1.2 ~ 1.27", F),
        ("1.00 ~ 1.04", T),
        ("@2012 ~ @2012", T),
        ("@2012-01 ~ @2012", F),
        ("4 'L' ~ 4000 'mL'", T),
        ("1 year ~ 1 'a'", T),
        ("1 month ~ 1 'mo'", T),
        ("1 second ~ 1 's'", T),
        ("name[0] ~ name[0]", T),
        ("name[0] ~ name[1]", F),
    ],
    "6.1.3 Not Equals": [
        ("1 != 2", T),
        ("1 != 1", F),
        ("{} != 1", NONE),
        ("@2012 != @2012-01", NONE),
        ("(1 | 2) != (2 | 1)", T),
    ],
    "6.1.4 Not Equivalent": [
        ("'abc' !~ 'ABC'", F),
        ("1 !~ {}", T),
        ("{} !~ {}", F),
        ("@2012 !~ @2012-01", T),
    ],
}

# N1 gives the same pairs for each of the four; the order is -1, 0, 1, or None where it is open.
ORDER = [
    ("10", "5", 1),
    ("10", "5.0", 1),
    ("'abc'", "'ABC'", 1),
    ("4 'L'", "4 'mL'", 1),
    ("1 'L'", "1000 'mL'", 0),
    ("4 'mg'", "3 'mg'", 1),
    ("@2018-03-01", "@2018-01-01", 1),
    ("@2018-03", "@2018-03-01", None),
    ("@2018-03-01T10:30:00", "@2018-03-01T10:00:00", 1),
    ("@2018-03-01T10", "@2018-03-01T10:30", None),
    ("@2018-03-01T10:30:00", "@2018-03-01T10:30:00.0", 0),
    ("@T10:30:00", "@T10:00:00", 1),
    ("@T10", "@T10:30", None),
    ("@T10:30:00", "@T10:30:00.0", 0),
    ("@2017-11-05T01:30:00.0-04:00", "@2017-11-05T01:15:00.0-05:00", -1),
    ("@2018-03-01T10:00:00Z", "@2018-03-01T10:00:00", None),
    ("1", "{}", None),
    ("{}", "{}", None),
]
JUDGED = {">": (1,), "<": (-1,), ">=": (0, 1), "<=": (-1, 0)}

OPERATORS = {
    "6.2 Comparison": [
        ("1 > 'a'", NOT_EVALUATED),
        ("true > false", NOT_EVALUATED),
        ("@2018 > @T10", NOT_EVALUATED),
        ("birthDate < today()", T),
        ("birthDate > '1974'.toDate()", NONE),
    ],
    "6.3 Types": [
        ("1 is Integer", T),
        ("1.0 is Decimal", T),
        ("1 is Decimal", F),
        ("'a' is String", T),
        ("true is System.Boolean", T),
        ("4 'mg' is Quantity", T),
        ("{} is Integer", NONE),
        ("('a' | 'b') is String", NOT_EVALUATED),
        ("1 is Nonsense", NOT_EVALUATED),
        ("1.is(Integer)", T),
        ("1 as Integer", [1]),
        ("1 as String", NONE),
        ("1.as(Integer)", [1]),
        ("{} as Integer", NONE),
    ],
    "6.4 Collections": [
        ("(1).combine(1) | 2", [1, 2]),
        ("'Jim' in name.given", T),
        ("'Joe' in name.given", F),
        ("'Joe' in {}", F),
        ("{} in name.given", NONE),
        ("name.given in name.given", NOT_EVALUATED),
        ("name.given contains 'Jim'", T),
        ("name.given contains 'Joe'", F),
        ("{} contains 'Joe'", F),
        ("name.given contains {}", NONE),
    ],
    "6.6.1 *, /": [
        ("2 * 3", [6]),
        ("2 * 1.5", dec("3.0")),
        ("5 / 2", dec("2.5")),
        ("4 / 2", [2]),
        ("12 / 0", NONE),
        ("1 / {}", NONE),
        ("(1 / 3) * 3 < 1.0001", T),
    ],
    "6.6.3 +": [
        ("1 + 2", [3]),
        ("1 + 0.1", dec("1.1")),
        ("0.1 + 0.2 = 0.3", T),
        ("'ABC' + 'DEF'", ["ABCDEF"]),
        ("'ABC' + {}", NONE),
        ("1 + 'a'", NOT_EVALUATED),
    ],
    "6.6.4 -": [("3 - 2", [1]), ("0.3 - 0.1", dec("0.2")), ("1 - {}", NONE), ("-{}", NONE)],
    "6.6.5 div": [
        ("5 div 2", [2]),
        ("5.5 div 0.7", [7]),
        ("5 div 0", NONE),
        ("(-5) div 2", [-2]),
    ],
    "6.6.6 mod": [("5 mod 2", [1]), ("5.5 mod 0.7", dec("0.6")), ("5 mod 0", NONE)],
    "6.6.7 &": [
        ("'ABC' & 'DEF'", ["ABCDEF"]),
        ("'ABC' & {}", ["ABC"]),
        ("{} & 'DEF'", ["DEF"]),
        ("{} & {}", [""]),
        ("1 & 'a'", NOT_EVALUATED),
    ],
    "6.7 Date/Time Arithmetic": [
        ("@1974-12-25 + 7 days", ["1975-01-01"]),
        ("@1974-12-25 - 25 days", ["1974-11-30"]),
        ("@2014 + 24 months", ["2016"]),
        ("@2014 + 23 months", ["2015"]),
        ("@2014-01 + 1 year", ["2015-01"]),
        ("@2019-03-01 + 24 months", ["2021-03-01"]),
        ("@2016-02-29 + 1 year", ["2017-02-28"]),
        ("@2015-01-31 + 1 month", ["2015-02-28"]),
        ("@2015-02-04T14:34:28+09:00 + 1 hour", ["2015-02-04T15:34:28+09:00"]),
        ("@2015-02-04T23:59:30Z + 45 seconds", ["2015-02-05T00:00:15Z"]),
        ("@T23:30:00 + 1 hour", ["00:30:00"]),
        ("@2015-02-04 + 1.5 days", ["2015-02-05"]),
        ("@2015-02-04 + {}", NONE),
        ("@2015-02-04 + 1 'mg'", NOT_EVALUATED),
        ("@2015-02-04 + 1 'a'", NOT_EVALUATED),
        ("@2015-02-04 + 1", NOT_EVALUATED),
    ],
    "6.8 Operator precedence": [
        ("1 + 2 * 3", [7]),
        ("(1 + 2) * 3", [9]),
        ("-1 + 2", [1]),
        ("-(1 + 2)", [-3]),
        ("-1.56.truncate()", [-1]),
        ("-7.combine(3)", NOT_EVALUATED),
        ("1 | 2 = 1 | 2", T),
        ("1 + 1 is Integer", T),
        ("true or true and false", T),
        ("true xor true or true", T),
        ("1 < 2 = true", T),
        ("false implies false and false", T),
        ("1 in (1 | 2) and true", T),
    ],
    "7.1 aggregate": [
        ("(1 | 2 | 3).aggregate($this + $total, 0)", [6]),
        (
            "(3 | 1 | 2).aggregate(iif($total.empty(), $this, iif($this < $total, $this, $total)))",
            [1],
        ),
        (
            "(3 | 1 | 4).aggregate(iif($total.empty(), $this, iif($this > $total, $this, $total)))",
            [4],
        ),
        ("(1 | 2 | 3).aggregate($total + $this, 0) / (1 | 2 | 3).count()", [2]),
        ("{}.aggregate($this + $total, 7)", [7]),
    ],
    "9 Environment Variables": [
        ("%ucum", [UCUM]),
        ("%`ucum`", [UCUM]),
        ("%context.name.count()", [3]),
        ("name.select(%context.birthDate).distinct()", ["1974-12-25"]),
        ("%unheard-of", NOT_EVALUATED),
    ],
    "10.2 Reflection": [
        ("'John'.type().name", ["String"]),
        ("'John'.type().namespace", ["System"]),
        ("1.type().name", ["Integer"]),
        ("Patient.maritalStatus.type().name", ["CodeableConcept"]),
        ("Patient.maritalStatus.type().namespace", ["FHIR"]),
    ],
}

TRUTHS = {"true": True, "false": False, "{}": None}


def check(expression, expected):
    if expected == NOT_EVALUATED:
        with pytest.raises(CannotEvaluate):
            ask(expression, PATIENT)
    else:
        assert ask(expression, PATIENT) == told(*expected)


@pytest.mark.parametrize(
    ("expression", "expected"), table(LANGUAGE | FUNCTIONS | EQUALITY | OPERATORS)
)
def test_it_is_as_n1_has_it(expression, expected):
    check(expression, expected)


@pytest.mark.parametrize("operator", JUDGED)
@pytest.mark.parametrize(("one", "other", "order"), ORDER)
def test_two_values_are_ordered(one, other, order, operator):
    for left, right, expected in ((one, other, order), (other, one, order and -order)):
        result = NONE if expected is None else [expected in JUDGED[operator]]
        check(f"{left} {operator} {right}", result)


@pytest.mark.parametrize("operator", ["=", "!=", *JUDGED])
def test_units_that_are_not_known_here_are_not_guessed_at(operator):
    """N1 6.2: not every unit need be known; one that is not must not give a truth."""
    with contextlib.suppress(CannotEvaluate):
        assert ask(f"4 'm' {operator} 4 'cm'") == NONE


@pytest.mark.parametrize("operator", JUDGED)
def test_quantities_of_different_dimensions_have_no_order(operator):
    """N1 6.2: a cm is not comparable with a cm2; it is not said whether that is empty or an error."""
    with contextlib.suppress(CannotEvaluate):
        assert ask(f"1 'cm' {operator} 1 'cm2'") == NONE


# N1 6.5, "Boolean logic", as its tables have it: true, false and nothing against the same.
@pytest.mark.parametrize("one", TRUTHS)
@pytest.mark.parametrize("other", TRUTHS)
def test_logic_has_three_values(one, other):
    left, right = TRUTHS[one], TRUTHS[other]
    known = left is not None and right is not None
    conjunction = False if left is False or right is False else True if known else None
    disjunction = True if left or right else False if known else None
    exclusive = left is not right if known else None
    implied = True if left is False or right is True else False if known else None
    for operator, expected in {
        "and": conjunction,
        "or": disjunction,
        "xor": exclusive,
        "implies": implied,
    }.items():
        result = NONE if expected is None else [expected]
        check(f"{one} {operator} {other}", result)
    check(f"({one}).not()", NONE if left is None else [not left])


def test_repeat_goes_down_as_long_as_there_is_more():
    """N1 5.2.3: `Questionnaire.repeat(item)` gives the items of all levels."""
    deepest = {"linkId": "1.1.1"}
    questionnaire = {
        "resourceType": "Questionnaire",
        "item": [
            {"linkId": "1", "item": [{"linkId": "1.1", "item": [deepest]}]},
            {"linkId": "2"},
        ],
    }
    assert sorted(one for _, one in ask("repeat(item).linkId", questionnaire)) == [
        "1", "1.1", "1.1.1", "2",
    ]  # fmt: skip
    assert ask("descendants().where(linkId = '1.1.1').linkId", questionnaire) == told("1.1.1")
