"""CAP 1.2: our messages against the schema of OASIS CAP-v1.2 (1 July 2010, section 3.4), written here from it: element
order, required elements, code words, and the patterns of identifiers and times."""

from __future__ import annotations

from dataclasses import replace

import pytest
import xmlschema
from hypothesis import given
from hypothesis import strategies as st

from api.deliver.cap import cap_alert
from forecaster.alarms.plan import AlarmMessage
from forecaster.domain.alarms import AlarmKind, AlarmState, Priority, TransitionKind
from tests.api.delivering import told
from tests.forecaster.evidence import LARKSPUR, MINUTE, START_MS

SCHEMA = """<?xml version="1.0" encoding="UTF-8"?>
<schema xmlns="http://www.w3.org/2001/XMLSchema" targetNamespace="urn:oasis:names:tc:emergency:cap:1.2"
  xmlns:cap="urn:oasis:names:tc:emergency:cap:1.2" elementFormDefault="qualified">
 <simpleType name="word"><restriction base="string"><pattern value="[^\\s,&lt;&amp;]+"/></restriction></simpleType>
 <simpleType name="moment"><restriction base="dateTime">
  <pattern value="\\d\\d\\d\\d-\\d\\d-\\d\\dT\\d\\d:\\d\\d:\\d\\d[-,+]\\d\\d:\\d\\d"/></restriction></simpleType>
 <complexType name="pair"><sequence>
  <element name="valueName" type="string"/><element name="value" type="string"/></sequence></complexType>
 <element name="alert"><complexType><sequence>
  <element name="identifier" type="cap:word"/>
  <element name="sender" type="cap:word"/>
  <element name="sent" type="cap:moment"/>
  <element name="status"><simpleType><restriction base="string"><enumeration value="Actual"/>
   <enumeration value="Exercise"/><enumeration value="System"/><enumeration value="Test"/>
   <enumeration value="Draft"/></restriction></simpleType></element>
  <element name="msgType"><simpleType><restriction base="string"><enumeration value="Alert"/>
   <enumeration value="Update"/><enumeration value="Cancel"/><enumeration value="Ack"/>
   <enumeration value="Error"/></restriction></simpleType></element>
  <element name="source" type="string" minOccurs="0"/>
  <element name="scope"><simpleType><restriction base="string"><enumeration value="Public"/>
   <enumeration value="Restricted"/><enumeration value="Private"/></restriction></simpleType></element>
  <element name="restriction" type="string" minOccurs="0"/>
  <element name="addresses" type="string" minOccurs="0"/>
  <element name="code" type="string" minOccurs="0" maxOccurs="unbounded"/>
  <element name="note" type="string" minOccurs="0"/>
  <element name="references" minOccurs="0"><simpleType><restriction base="string">
   <pattern value="[^\\s,]+,[^\\s,]+,[^\\s,]+( [^\\s,]+,[^\\s,]+,[^\\s,]+)*"/></restriction></simpleType></element>
  <element name="incidents" type="string" minOccurs="0"/>
  <element name="info" minOccurs="0" maxOccurs="unbounded"><complexType><sequence>
   <element name="language" type="language" minOccurs="0" default="en-US"/>
   <element name="category" maxOccurs="unbounded"><simpleType><restriction base="string"><enumeration value="Geo"/>
    <enumeration value="Met"/><enumeration value="Safety"/><enumeration value="Security"/><enumeration value="Rescue"/>
    <enumeration value="Fire"/><enumeration value="Health"/><enumeration value="Env"/><enumeration value="Transport"/>
    <enumeration value="Infra"/><enumeration value="CBRNE"/><enumeration value="Other"/></restriction></simpleType>
   </element>
   <element name="event" type="string"/>
   <element name="responseType" minOccurs="0" maxOccurs="unbounded"><simpleType><restriction base="string">
    <enumeration value="Shelter"/><enumeration value="Evacuate"/><enumeration value="Prepare"/>
    <enumeration value="Execute"/><enumeration value="Avoid"/><enumeration value="Monitor"/>
    <enumeration value="Assess"/><enumeration value="AllClear"/><enumeration value="None"/>
   </restriction></simpleType></element>
   <element name="urgency"><simpleType><restriction base="string"><enumeration value="Immediate"/>
    <enumeration value="Expected"/><enumeration value="Future"/><enumeration value="Past"/>
    <enumeration value="Unknown"/></restriction></simpleType></element>
   <element name="severity"><simpleType><restriction base="string"><enumeration value="Extreme"/>
    <enumeration value="Severe"/><enumeration value="Moderate"/><enumeration value="Minor"/>
    <enumeration value="Unknown"/></restriction></simpleType></element>
   <element name="certainty"><simpleType><restriction base="string"><enumeration value="Observed"/>
    <enumeration value="Likely"/><enumeration value="Possible"/><enumeration value="Unlikely"/>
    <enumeration value="Unknown"/></restriction></simpleType></element>
   <element name="audience" type="string" minOccurs="0"/>
   <element name="eventCode" type="cap:pair" minOccurs="0" maxOccurs="unbounded"/>
   <element name="effective" type="cap:moment" minOccurs="0"/>
   <element name="onset" type="cap:moment" minOccurs="0"/>
   <element name="expires" type="cap:moment" minOccurs="0"/>
   <element name="senderName" type="string" minOccurs="0"/>
   <element name="headline" type="string" minOccurs="0"/>
   <element name="description" type="string" minOccurs="0"/>
   <element name="instruction" type="string" minOccurs="0"/>
   <element name="web" type="anyURI" minOccurs="0"/>
   <element name="contact" type="string" minOccurs="0"/>
   <element name="parameter" type="cap:pair" minOccurs="0" maxOccurs="unbounded"/>
   <element name="area" minOccurs="0" maxOccurs="unbounded"><complexType><sequence>
    <element name="areaDesc" type="string"/>
    <element name="polygon" type="string" minOccurs="0" maxOccurs="unbounded"/>
    <element name="circle" minOccurs="0" maxOccurs="unbounded"><simpleType><restriction base="string">
     <pattern value="-?\\d+(\\.\\d+)?,-?\\d+(\\.\\d+)? \\d+(\\.\\d+)?"/></restriction></simpleType></element>
   </sequence></complexType></element>
  </sequence></complexType></element>
 </sequence></complexType></element>
</schema>"""

CHECK = xmlschema.XMLSchema(SCHEMA)
SENDER = "outlast-3f9c"
PLACED = replace(LARKSPUR, latitude=41.9, longitude=-87.7)


def message(kind: AlarmKind, what: TransitionKind, priority: Priority, revision: int) -> AlarmMessage:
    state = AlarmState.NORMAL if what is TransitionKind.CLEARED else AlarmState.UNACKNOWLEDGED
    at_ms = START_MS + revision * MINUTE
    item = told(kind, what, revision=revision, at_ms=at_ms, state=state, priority=priority)
    return AlarmMessage(
        item.key, "larkspur", "Larkspur Lane cellar", "UTC", LARKSPUR.units, what, at_ms, item.alarm, "owner"
    )


@pytest.mark.parametrize("kind", list(AlarmKind))
@pytest.mark.parametrize("what", [TransitionKind.RAISED, TransitionKind.UPDATED, TransitionKind.CLEARED])
def test_every_kind_validates(kind: AlarmKind, what: TransitionKind) -> None:
    revision = 0 if what is TransitionKind.RAISED else 3
    document = cap_alert(message(kind, what, Priority.HIGH, revision), PLACED, SENDER)
    CHECK.validate(document.decode())


def test_an_end_cancels_the_alert_it_belongs_to() -> None:
    first = message(AlarmKind.HIGH_WATER, TransitionKind.RAISED, Priority.CRITICAL, 0)
    last = message(AlarmKind.HIGH_WATER, TransitionKind.CLEARED, Priority.CRITICAL, 4)
    begun = CHECK.to_dict(cap_alert(first, PLACED, SENDER).decode())
    over = CHECK.to_dict(cap_alert(last, None, SENDER).decode())
    assert isinstance(begun, dict)
    assert isinstance(over, dict)
    assert begun["msgType"] == "Alert"
    assert over["msgType"] == "Cancel"
    assert over["references"] == f"{begun['sender']},{begun['identifier']},{begun['sent']}"
    assert begun["info"][0]["urgency"] == "Immediate"
    assert over["info"][0]["urgency"] == "Past"


def test_the_schema_refuses_what_the_standard_refuses() -> None:
    good = cap_alert(
        message(AlarmKind.HIGH_WATER, TransitionKind.RAISED, Priority.CRITICAL, 0), PLACED, SENDER
    ).decode()
    for old, new in (
        ("<status>Actual</status>", "<status>Real</status>"),
        ("-00:00</sent>", "Z</sent>"),
        ("<sender>outlast-3f9c</sender>", ""),
        ("<severity>Severe</severity>", "<severity>Bad</severity>"),
    ):
        assert old in good
        assert not CHECK.is_valid(good.replace(old, new))


@given(st.text(max_size=200), st.text(max_size=30))
def test_any_text_is_carried(headline: str, contact: str) -> None:
    plain = "".join(c for c in headline if c.isprintable())
    one = message(AlarmKind.HIGH_WATER, TransitionKind.RAISED, Priority.HIGH, 0)
    named = "".join(c for c in contact if c.isprintable())
    said = replace(one, alarm=replace(one.alarm, headline=plain), contact=named)
    CHECK.validate(cap_alert(said, None, SENDER).decode())
