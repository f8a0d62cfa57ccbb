"""The holidays offered, against published lists of three countries and two years, typed here day by day."""

import datetime as dt

import pytest
from dateutil.easter import easter

from service.domain.calendars import chosen, offered
from service.domain.errors import Invalid

# Código do Trabalho (Lei 7/2009), art. 234.º n.º 1 as of Lei 8/2016 (text read second-hand, amartins.pt): "São
# feriados obrigatórios os dias 1 de janeiro, de Sexta-Feira Santa, de Domingo de Páscoa, 25 de abril, 1 de maio, de
# Corpo de Deus, 10 de junho, 15 de agosto, 5 de outubro, 1 de novembro, 1, 8 e 25 de dezembro".
PORTUGAL = {
    2026: "01-01 04-03 04-05 04-25 05-01 06-04 06-10 08-15 10-05 11-01 12-01 12-08 12-25",
    2027: "01-01 03-26 03-28 04-25 05-01 05-27 06-10 08-15 10-05 11-01 12-01 12-08 12-25",
}
# Bayerisches Feiertagsgesetz (FTG) of 21 May 1980, Art. 1 (1) Nr. 1 (text read second-hand, gesetze.io): "im ganzen
# Staatsgebiet Neujahr, Heilige Drei Könige, Karfreitag, Ostermontag, der 1. Mai, Christi Himmelfahrt, Pfingstmontag,
# Fronleichnam, der 3. Oktober, Allerheiligen, Erster Weihnachtstag, Zweiter Weihnachtstag". Nr. 2, Mariä Himmelfahrt
# in mainly Catholic communities, is not of the whole state and must not be offered.
BAVARIA = {
    2026: "01-01 01-06 04-03 04-06 05-01 05-14 05-25 06-04 10-03 11-01 12-25 12-26",
    2027: "01-01 01-06 03-26 03-29 05-01 05-06 05-17 05-27 10-03 11-01 12-25 12-26",
}
# gov.uk/bank-holidays, England and Wales. The substitute days of both Christmases are read second-hand (press reports
# of the gov.uk list); the others from memory of the Banking and Financial Dealings Act 1971, Sched. 1.
ENGLAND_AND_WALES = {
    2026: "01-01 04-03 04-06 05-04 05-25 08-31 12-25 12-28",
    2027: "01-01 03-26 03-29 05-03 05-31 08-30 12-27 12-28",
}


def days(text, year):
    return [dt.date.fromisoformat(f"{year}-{one}") for one in text.split()]


def offered_days(country, subdivision, year):
    return [one.on for one in offered(country, subdivision, year).days]


@pytest.mark.parametrize("year", [2026, 2027])
class TestAgainstPublishedLists:
    def test_portugal(self, year):
        assert offered_days("PT", None, year) == days(PORTUGAL[year], year)

    def test_bavaria(self, year):
        assert offered_days("DE", "BY", year) == days(BAVARIA[year], year)

    @pytest.mark.parametrize("part", ["ENG", "WLS"])
    def test_england_and_wales(self, year, part):
        """Beside a substitute day the library offers the weekend day it stands for, and nothing else."""
        published, found = days(ENGLAND_AND_WALES[year], year), offered_days("GB", part, year)
        assert set(published) <= set(found)
        for more in set(found) - set(published):
            assert (more.month, more.day) in {(12, 25), (12, 26)}
            assert more.weekday() >= 5


# Days from Easter Sunday, in the Gregorian calendar of the western churches.
MOVEABLE = {
    ("PT", None): (-2, 0, 60),
    ("DE", "BY"): (-2, 1, 39, 50, 60),
    ("GB", "ENG"): (-2, 1),
}


@pytest.mark.parametrize(("country", "part"), list(MOVEABLE))
@pytest.mark.parametrize("year", range(2017, 2046))
def test_what_moves_with_easter_agrees_with_dateutil(country, part, year):
    wanted = {easter(year) + dt.timedelta(after) for after in MOVEABLE[country, part]}
    assert wanted <= set(offered_days(country, part, year))


class TestNames:
    def test_stand_in_the_local_language_and_in_english(self):
        found = {one.on: (one.name, one.name_en) for one in offered("PT", None, 2026).days}
        assert found[dt.date(2026, 4, 3)] == ("Sexta-feira Santa", "Good Friday")
        found = {one.on: (one.name, one.name_en) for one in offered("DE", "BY", 2026).days}
        assert found[dt.date(2026, 4, 3)] == ("Karfreitag", "Good Friday")

    def test_do_not_follow_the_machines_language(self, monkeypatch):
        monkeypatch.setenv("LANGUAGE", "uk")
        assert offered("PT", "30", 2029).days[0].name == "Ano Novo"

    def test_parts_of_a_country_are_listed(self):
        offer = offered("PT", "11", 2026)
        assert offer.subdivisions["11"] == "Lisboa"
        # 13 June is Lisbon's own, on no other part's list.
        saint = dt.date(2026, 6, 13)
        assert saint in {one.on for one in offer.days}
        assert saint not in {one.on for one in offered("PT", "13", 2026).days}


class TestRefusals:
    @pytest.mark.parametrize(
        ("asked", "pointer", "near"),
        [
            (("UK", None, 2026), "/country", "GB (United Kingdom)"),
            (("Portugal", None, 2026), "/country", "PT (Portugal)"),
            (("PRT", None, 2026), "/country", "PT (Portugal)"),
            (("pt", None, 2026), "/country", "PT (Portugal)"),
            (("", None, 2026), "/country", "such as PT"),
            (("PT", "Lisboa", 2026), "/subdivision", "11 (Lisboa)"),
            (("PT", "19", 2026), "/subdivision", "leave it out"),
            (("DE", "Bayern", 2026), "/subdivision", "BY (Bayern)"),
            (("MC", "1", 2026), "/subdivision", "MC has no parts"),
            (("PT", None, 2500), "/year", "1801 to 2100"),
            (("DE", None, 1980), "/year", "1991 to 2100"),
        ],
    )
    def test_what_is_unknown_is_named_with_what_is_near(self, asked, pointer, near):
        with pytest.raises(Invalid) as refusal:
            offered(*asked)
        [error] = refusal.value.errors
        assert error.pointer == pointer
        assert near in error.detail

    def test_a_date_that_is_no_holiday_cannot_be_kept(self):
        with pytest.raises(Invalid) as refusal:
            chosen("PT", None, [dt.date(2026, 4, 3), dt.date(2026, 4, 4)], at="/holidays")
        [error] = refusal.value.errors
        assert error.pointer == "/holidays/keep/1"
        assert "2026-04-03 Sexta-feira Santa, 2026-04-05" in error.detail

    def test_a_date_out_of_reach_is_named_itself(self):
        with pytest.raises(Invalid) as refusal:
            chosen("DE", "BY", [dt.date(1980, 1, 1)], at="/holidays")
        assert refusal.value.errors[0].pointer == "/holidays/keep/0"

    def test_what_is_chosen_keeps_date_name_and_who_offered_it(self):
        [closure] = chosen("DE", "BY", [dt.date(2026, 6, 4)], at="/holidays")
        assert (closure.on, closure.reason) == (dt.date(2026, 6, 4), "Fronleichnam")
        assert closure.holiday is not None
        assert (closure.holiday.country, closure.holiday.subdivision) == ("DE", "BY")
        assert (closure.holiday.name_en, closure.holiday.source[:9]) == ("Corpus Christi", "holidays ")
