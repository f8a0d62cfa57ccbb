"""The unit table against the published factors, against pint, and against the units readings are kept in."""

import math
import tomllib
from fractions import Fraction
from importlib import resources

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.quantities import UCUM, UNITS_OF, Quantity, Unit, temperature_in
from service.domain.units import UNIT_OF_REC20, UNIT_OF_SENML, UNITS, convert, load_units

# NIST SP 811 (2008), Appendix B.8, to its seven figures; from memory.
NIST_SP_811 = [
    ("[in_i]", "m", "0.0254"),
    ("[ft_i]", "m", "0.3048"),
    ("[cft_i]", "m3", "0.02831685"),
    ("[cyd_i]", "m3", "0.7645549"),
    ("[gal_us]", "m3", "0.003785412"),
    ("L", "m3", "0.001"),
    ("[lb_av]", "kg", "0.4535924"),
    ("[ston_av]", "kg", "907.1847"),
    ("t", "kg", "1000"),
    ("[lb_av]/[cyd_i]", "kg/m3", "0.5932764"),
    ("h", "s", "3600"),
    ("d", "s", "86400"),
]

# UN/ECE Recommendation 20, Annex II/III (2020), "conversion factor"; read.
REC_20 = [
    ("FTQ", "m3", "0.02831685"),
    ("YDQ", "m3", "0.764555"),
    ("GLL", "m3", "0.003785412"),
    ("LTR", "m3", "0.001"),
    ("LBR", "kg", "0.45359237"),
    ("STN", "kg", "907.1847"),
    ("TNE", "kg", "1000"),
    ("INH", "m", "0.0254"),
    ("FOT", "m", "0.3048"),
    ("CMT", "m", "0.01"),
    ("K84", "kg/m3", "0.5932764"),
    ("HUR", "s", "3600"),
    ("DAY", "s", "86400"),
    ("P1", "1", "0.01"),
    ("59", "1", "0.000001"),
    ("2Z", "V", "0.001"),
]

PINT = {
    "K": "kelvin", "Cel": "degC", "[degF]": "degF", "1": "dimensionless", "%": "percent", "[ppm]": "ppm",
    "V": "volt", "mV": "millivolt", "m": "metre", "cm": "centimetre", "[in_i]": "inch", "[ft_i]": "foot",
    "m3": "metre ** 3", "L": "litre", "[cft_i]": "foot ** 3", "[cyd_i]": "yard ** 3", "[gal_us]": "gallon",
    "kg": "kilogram", "t": "metric_ton", "[lb_av]": "pound", "[ston_av]": "short_ton", "s": "second",
    "h": "hour", "d": "day", "kg/m3": "kilogram / metre ** 3", "[lb_av]/[cyd_i]": "pound / yard ** 3",
}  # fmt: skip
LEVELS = {"dB[W]": "dBW", "dB[mW]": "dBm"}
OWN_SCALE = {"[pH]"}


REGISTRY = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def agrees(exact, published):
    """Whether a published figure is the exact one, or is it rounded to the six or seven figures it has."""
    figures = len(published.replace(".", "").lstrip("0"))
    rounded = Fraction(f"{float(exact):.{figures}g}")
    return Fraction(published) == exact or (figures >= 6 and Fraction(published) == rounded)


class TestPublishedFactors:
    def test_a_cubic_yard_is_a_volume_and_exact(self):
        # 0.9144 m cubed (international yard, 1959; NIST SP 811 Appendix B.6): not a hundredth of a yard.
        assert convert(Fraction(1), "[cyd_i]", "m3") == Fraction("0.764554857984")
        assert UNITS["[cyd_i]"].dimension == UNITS["m3"].dimension == "volume"
        assert convert(Fraction(1), "[cyd_i]", "[cft_i]") == 27

    @pytest.mark.parametrize(("unit", "base", "published"), NIST_SP_811)
    def test_nist_sp_811(self, unit, base, published):
        assert agrees(convert(Fraction(1), unit, base), published)

    @pytest.mark.parametrize(("code", "base", "published"), REC_20)
    def test_un_ece_recommendation_20(self, code, base, published):
        assert agrees(convert(Fraction(1), UNIT_OF_REC20[code].ucum, base), published)

    @pytest.mark.parametrize(
        ("of", "many", "unit"),
        [  # UCUM, table of customary units; read.
            ("[ft_i]", 12, "[in_i]"),
            ("[ston_av]", 2000, "[lb_av]"),
            ("d", 24, "h"),
            ("m", 100, "cm"),
            ("1", 100, "%"),
        ],
    )
    def test_ucum_definitions(self, of, many, unit):
        assert convert(Fraction(1), of, unit) == many

    def test_a_us_gallon_is_231_cubic_inches(self):  # UCUM [gal_us]; read
        assert convert(Fraction(1), "[gal_us]", "m3") == 231 * convert(Fraction(1), "[in_i]", "m") ** 3

    def test_ten_dbm_are_minus_twenty_dbw(self):  # RFC 8798 section 3, example
        assert convert(Fraction(10), "dB[mW]", "dB[W]") == -20

    @pytest.mark.parametrize(
        ("fahrenheit", "celsius"),
        [
            (131, 55),  # 40 CFR 503 Appendix B: 55 degrees Celsius; 7 CFR 205.203: 131 F
            (170, Fraction(690, 9)),  # 7 CFR 205.203: 131 F to 170 F
            (32, 0),
            (212, 100),
            (-40, -40),
        ],
    )
    def test_fahrenheit_is_exact(self, fahrenheit, celsius):
        assert convert(Fraction(fahrenheit), "[degF]", "Cel") == celsius


class TestAgainstPint:
    def test_every_row_is_compared(self):
        assert PINT.keys() | LEVELS.keys() | OWN_SCALE == UNITS.keys()

    @pytest.mark.parametrize("ucum", PINT)
    @pytest.mark.parametrize("value", [0, 1, -40, 131])
    def test_to_the_base_unit(self, ucum, value):
        row = UNITS[ucum]
        (base,) = (u for u, r in UNITS.items() if (r.dimension, r.factor, r.offset) == (row.dimension, 1, 0))
        wanted = REGISTRY.Quantity(float(value), PINT[ucum]).to(PINT[base]).magnitude
        assert float(convert(Fraction(value), ucum, base)) == pytest.approx(wanted, rel=1e-12, abs=1e-12)

    @pytest.mark.parametrize("value", [-95, 0, 14])
    def test_levels(self, value):
        watts = REGISTRY.Quantity(float(value), "dBm").to("watt").magnitude
        assert float(convert(Fraction(value), "dB[mW]", "dB[W]")) == pytest.approx(10 * math.log10(watts))

    @pytest.mark.parametrize("one", PINT)
    def test_dimensions_are_the_same_where_pint_has_them_so(self, one):
        for other, name in PINT.items():
            alike = UNITS[one].dimension == UNITS[other].dimension
            assert (REGISTRY.Unit(PINT[one]).dimensionality == REGISTRY.Unit(name).dimensionality) is alike


class TestAgainstTheUnitsOfReadings:
    @pytest.mark.parametrize("unit", Unit)
    def test_every_unit_readings_are_kept_in_is_here(self, unit):
        assert unit.ucum in UNITS

    @pytest.mark.parametrize("quantity", Quantity)
    def test_percentages_and_volts_are_the_only_two_ways_of_one_quantity(self, quantity):
        dimensions = {UNITS[UCUM[unit]].dimension for unit in UNITS_OF[quantity]}
        two = {"ratio", "electric potential"}
        assert dimensions == two if quantity is Quantity.BATTERY else len(dimensions) == 1

    @given(st.fractions(-500, 2000), st.sampled_from([Unit.CEL, Unit.DEG_F, Unit.KELVIN]),
           st.sampled_from([Unit.CEL, Unit.DEG_F, Unit.KELVIN]))  # fmt: skip
    def test_temperatures_are_converted_alike(self, value, one, other):
        assert convert(value, one.ucum, other.ucum) == temperature_in(value, one, other)


class TestCodes:
    @pytest.mark.parametrize(
        ("symbol", "ucum"),
        [("Cel", "Cel"), ("K", "K"), ("/", "1"), ("/100", "%"), ("l", "L"), ("dBm", "dB[mW]"), ("h", "h")],
    )
    def test_senml_symbols(self, symbol, ucum):
        assert UNIT_OF_SENML[symbol].ucum == ucum

    def test_senml_has_no_fahrenheit_and_its_percent_sign_is_not_ours(self):
        # RFC 8428 section 12.1: rule 8 rules degF out; note 2 makes % the ratio.
        assert UNITS["[degF]"].senml is None
        assert "%" not in UNIT_OF_SENML

    def test_every_row_names_its_source(self):
        assert all(len(row.source) > 10 for row in UNITS.values())


class TestConverting:
    @given(st.data(), st.fractions(-(10**6), 10**6))
    def test_there_and_back_is_the_same(self, data, value):
        one = data.draw(st.sampled_from(list(UNITS.values())))
        kin = [row.ucum for row in UNITS.values() if row.dimension == one.dimension]
        other = data.draw(st.sampled_from(kin))
        assert convert(convert(value, one.ucum, other), other, one.ucum) == value

    @given(st.data(), st.fractions(-1000, 1000))
    def test_by_way_of_a_third_unit_is_the_same(self, data, value):
        one = data.draw(st.sampled_from(list(UNITS.values())))
        kin = st.sampled_from([row.ucum for row in UNITS.values() if row.dimension == one.dimension])
        second, third = data.draw(kin), data.draw(kin)
        by_way = convert(convert(value, one.ucum, second), second, third)
        assert by_way == convert(value, one.ucum, third)

    @pytest.mark.parametrize(
        ("one", "other", "pointer", "remedy"),
        [
            ("[cyd_i]", "m", "/ucum_to", "m3, L, [cft_i], [cyd_i], [gal_us]"),
            ("kg", "m3", "/ucum_to", "kg, t, [lb_av], [ston_av]"),
            ("%", "V", "/ucum_to", "1, %, [ppm]"),
            ("degF", "Cel", "/ucum_from", "[degF]"),
            ("Cel", "\u00b0C", "/ucum_to", "Cel"),
        ],
    )
    def test_other_dimensions_and_unknown_codes_are_refused(self, one, other, pointer, remedy):
        with pytest.raises(Invalid) as caught:
            convert(Fraction(1), one, other)
        (error,) = caught.value.errors
        assert error.pointer == pointer
        assert remedy in error.detail
        assert error.detail.isascii()


ROW = {
    "ucum": '"m"', "name": '"metre"', "dimension": '"length"', "factor": '"1"', "offset": '"0"',
    "source": '"UCUM"', "status": '"read"',
}  # fmt: skip


def a_table(*rows):
    return "\n".join("[[unit]]\n" + "\n".join(f"{k} = {v}" for k, v in row.items()) for row in rows)


class TestLoading:
    def test_a_good_row(self):
        (row,) = load_units(a_table(ROW))
        assert (row.ucum, row.factor, row.offset, row.senml) == ("m", 1, 0, None)

    def test_the_shipped_file_is_what_is_loaded(self):
        text = resources.files("service.domain").joinpath("units.toml").read_text("utf-8")
        assert len(tomllib.loads(text)["unit"]) == len(UNITS)

    @pytest.mark.parametrize(
        ("text", "pointer"),
        [
            ("unit = ", ""),
            ("", "/unit"),
            ("unit = 3", "/unit"),
            ("unit = [3]", "/unit/0"),
            ("other = 1\n" + a_table(ROW), "/other"),
            (a_table({k: v for k, v in ROW.items() if k != "factor"}), "/unit/0/factor"),
            (a_table(ROW | {"colour": '"red"'}), "/unit/0/colour"),
            (a_table(ROW | {"factor": "0.3048"}), "/unit/0/factor"),
            (a_table(ROW | {"factor": '"5/0"'}), "/unit/0/factor"),
            (a_table(ROW | {"factor": '"1e3"'}), "/unit/0/factor"),
            (a_table(ROW | {"factor": '"-1"'}), "/unit/0/factor"),
            (a_table(ROW | {"offset": '"none"'}), "/unit/0/offset"),
            (a_table(ROW | {"name": '" "'}), "/unit/0/name"),
            (a_table(ROW | {"status": '"guessed"'}), "/unit/0/status"),
            (a_table(ROW, ROW | {"factor": '"2"'}), "/unit/1/ucum"),
            (a_table(ROW | {"rec20": '"X"'}, ROW | {"ucum": '"b"', "factor": '"2"', "rec20": '"X"'}), "/unit/1/rec20"),
            (a_table(ROW | {"factor": '"2"'}), "/unit/0/dimension"),
            (a_table(ROW, ROW | {"ucum": '"b"'}), "/unit/0/dimension"),
        ],
    )  # fmt: skip
    def test_a_bad_file_is_refused_with_the_place(self, text, pointer):
        with pytest.raises(Invalid) as caught:
            load_units(text)
        assert pointer in {error.pointer for error in caught.value.errors}
