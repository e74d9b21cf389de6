"""Which specification applies to a part."""

from datetime import date

from speclake.specs import BandRequirement, Specification, choose

LINE = BandRequirement(id="r", what="mean", unit="%T", band=(400, 700), at_least="92.0")


def spec(name, **keys):
    return Specification(name=name, requirement=(LINE,), **keys)


def names(specifications, **part):
    return [each.name for each in choose(specifications, **part)]


BY_PRODUCT = spec("by product", products=["window"])
BY_CUSTOMER = spec("by customer", customers=["north"], products=["window"])
BY_ORDER = spec("by order", orders=["A-1"])
IN_HOUSE = spec("in-house", owner="in-house", products=["window", "wafer"])
FOR_NOBODY = spec("for nobody")
ALL = [FOR_NOBODY, IN_HOUSE, BY_ORDER, BY_CUSTOMER, BY_PRODUCT]


def test_the_order_goes_before_the_customer_and_the_customer_before_the_product():
    part = {"product": "window", "customer": "north", "order_number": "A-1"}
    assert names(ALL, **part) == ["by order", "in-house"]
    part["order_number"] = "A-2"
    assert names(ALL, **part) == ["by customer", "in-house"]
    part["customer"] = "south"
    assert names(ALL, **part) == ["by product", "in-house"]


def test_in_house_limits_stand_beside_and_alone():
    assert names(ALL, product="wafer") == ["in-house"]
    assert names(ALL, product="lens") == []
    assert names(ALL) == []


def test_every_list_of_a_specification_must_hold_the_part():
    assert names([BY_CUSTOMER], customer="north") == []
    assert names([BY_CUSTOMER], customer="north", product="lens") == []
    assert names([BY_CUSTOMER], customer="NORTH ", product="Window") == ["by customer"]


def test_several_that_are_equally_close_all_apply():
    second = spec("second", products=["window"])
    assert names([BY_PRODUCT, second], product="window") == ["by product", "second"]


def test_the_order_of_the_files_makes_no_difference():
    part = {"product": "window", "customer": "north"}
    assert choose(ALL, **part) == choose(ALL[::-1], **part)


def test_a_specification_is_in_effect_from_its_first_to_its_last_day():
    limited = spec(
        "limited",
        products=["window"],
        effective_from=date(2026, 3, 1),
        effective_until=date(2026, 3, 31),
    )
    found = {
        day: names([limited], product="window", on=date(2026, *day))
        for day in ((2, 28), (3, 1), (3, 31), (4, 1))
    }
    assert [bool(each) for each in found.values()] == [False, True, True, False]
    assert names([limited], product="window") == ["limited"]


def test_a_closer_specification_that_has_ended_gives_way():
    ended = spec("ended", orders=["A-1"], effective_until=date(2026, 1, 1))
    part = {"product": "window", "order_number": "A-1", "on": date(2026, 6, 1)}
    assert names([ended, BY_PRODUCT], **part) == ["by product"]
