"""Messages of somebody else's clients, through a real broker, into the record and answered."""

import asyncio
import json

import cbor2
import gmqtt
import pytest

from tests.bridge.broker import PASSWORD
from tests.bridge.conftest import START, Yard, at, bag, eventually


def result(line: str) -> dict[str, object]:
    return dict(json.loads(line.rpartition("\t")[2]))


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_both_versions_of_both_sides_meet(yard: Yard, version: str) -> None:
    yard.bridge(mqtt_version=version)
    listener = yard.broker.listen("v1/1/north/down/#", many=2)
    yard.send(1, 2, version="mqttv5")
    yard.send(2, 3, version="mqttv311")
    first, second = listener.heard()
    assert first.startswith("v1/1/north/down/result\t")
    counts = ("received", "stored", "duplicate", "disputed", "held", "refused_count")
    assert [result(first)[name] for name in counts] == [2, 2, 0, 0, 0, 0]
    assert [result(second)[name] for name in counts] == [2, 1, 1, 0, 0, 0]
    assert yard.numbers() == [1, 2, 3]
    assert yard.ask("select distinct gateway, credential_id from batch") == [
        ("north", yard.gateways["north"])
    ]


def test_every_form_tells_the_same(yard: Yard) -> None:
    """SenML by RFC 8428: ``bn`` and ``bt`` (sections 4.1, 4.2), labels of CBOR by table 4."""
    yard.bridge()
    second = int(START.timestamp())
    forms: dict[str, bytes | str] = {
        "json": bag(1),
        "ndjson": json.dumps(json.loads(bag(2))["readings"][0]),
        "csv": f"probe,observed_at,quantity,value,unit\r\nPR-1,{at(3)},temperature,40.3,Cel\r\n",
        "senml-json": json.dumps(
            [{"bn": "PR-1/", "bt": second + 4, "n": "temperature", "u": "Cel", "v": 40.4}]
        ),
        "senml-cbor": cbor2.dumps([{-2: "PR-1/", -3: second + 5, 0: "temperature", 1: "Cel", 2: 40.5}]),
    }
    listener = yard.broker.listen("v1/1/north/down/#", many=len(forms))
    for form, body in forms.items():
        assert yard.broker.publish(f"v1/1/north/up/{form}", body, user="1/north").stderr == b""
    assert [result(line).get("stored") for line in listener.heard()] == [1] * len(forms)
    rows = yard.ask("select observed_at, value from reading order by 1")
    assert [(row[0].isoformat(), row[1]) for row in rows] == [(at(n), 40 + n / 10) for n in range(1, 6)]


def test_a_time_relative_to_now_is_refused(yard: Yard) -> None:
    """RFC 8428 section 4.5.3: relative to when it was sent; the broker may have held it for days."""
    yard.bridge()
    listener = yard.broker.listen("v1/1/north/down/#")
    pack = [{"n": "PR-1/temperature", "u": "Cel", "v": 61, "t": -60}]
    yard.broker.publish("v1/1/north/up/senml-json", json.dumps(pack), user="1/north")
    told = result(listener.heard()[0])
    assert (told["stored"], told["refused_count"]) == (0, 1)
    assert yard.numbers() == []


def test_gmqtt_publishes_and_hears_the_result(yard: Yard) -> None:
    """A second client library, as a gateway: one connection, its own login, MQTT 5."""
    yard.bridge()

    async def as_gateway() -> list[tuple[str, bytes]]:
        heard: list[tuple[str, bytes]] = []
        answered, subscribed = asyncio.Event(), asyncio.Event()

        def on_message(_client: object, topic: str, payload: bytes, *_: object) -> int:
            heard.append((topic, payload))
            answered.set()
            return 0

        client = gmqtt.Client("any")
        client.on_message = on_message
        client.on_subscribe = lambda *_: subscribed.set()
        client.set_auth_credentials("1/north", PASSWORD)
        await client.connect("127.0.0.1", yard.broker.port)
        client.subscribe("v1/1/north/down/#", qos=1)
        await asyncio.wait_for(subscribed.wait(), 5)
        client.publish("v1/1/north/up/json", bag(7).encode(), qos=1, content_type="application/json")
        await asyncio.wait_for(answered.wait(), 10)
        await client.disconnect()
        return heard

    ((topic, payload),) = asyncio.run(as_gateway())
    assert topic == "v1/1/north/down/result"
    assert json.loads(payload)["stored"] == 1
    assert yard.numbers() == [7]


def test_the_result_goes_where_mqtt_5_asks_within_the_gateways_own_branch(yard: Yard) -> None:
    yard.bridge()
    listener = yard.broker.listen("v1/#", shown="%t\t%D\t%C\t%p", many=7)
    for wanted, pack in (("v1/1/north/down/pack/7", "seven"), ("v1/1/south/down/result", "eight")):
        options = ("-D", "publish", "response-topic", wanted, "-D", "publish", "correlation-data", pack)
        yard.broker.publish("v1/1/north/up/json", bag(1), *options, user="1/north")
    yard.broker.publish(
        "v1/1/north/up/json",
        "{",
        *("-D", "publish", "response-topic", "v1/1/north/up/json"),
        user="1/north",
    )
    lines = [line.split("\t") for line in listener.heard() if "/down/" in line]
    assert [line[:3] for line in lines] == [
        ["v1/1/north/down/pack/7", "seven", "application/json"],
        ["v1/1/north/down/result", "eight", "application/json"],
        ["v1/1/north/down/result", "", "application/problem+json"],
    ]


def test_published_while_the_bridge_is_down(yard: Yard) -> None:
    bridge = yard.bridge()
    assert bridge.stop() == 0
    yard.send(1)
    yard.send(2, version="mqttv311")
    assert yard.numbers() == []
    yard.bridge()
    eventually(yard.numbers, [1, 2])


def test_poison_does_not_block_and_is_kept_once(yard: Yard) -> None:
    bridge = yard.bridge(max_bag_bytes="4096")
    poison = {
        "v1/1/north/up/json": b'{"readings": [',
        "v1/1/north/up/morse": b"...",
        "v1/1/north/up/senml-json": b"[" * 5000,
        "v1/1/north/state": b'{"online": "perhaps"}',
    }
    listener = yard.broker.listen("v1/1/north/down/#", many=len(poison) + 1)
    for topic, body in poison.items():
        assert yard.broker.publish(topic, body, "-r", user="1/north").returncode == 0
    yard.send(1)
    *refusals, kept = map(result, listener.heard())
    assert [refusal["status"] for refusal in refusals] == [400, 422, 413, 422]
    assert kept["stored"] == 1
    reasons = yard.reasons()
    assert [reason[:24] for reason in reasons] == [
        "not JSON: Input data was",
        "/: the topic ends in up/",
        "a message takes at most ",
        "/online: Expected `bool`",
    ]
    assert yard.ask("select length(body), media_type from quarantined_message order by received_at") == [
        (14, "application/json"),
        (3, None),
        (4096, "application/senml+json"),
        (21, None),
    ]
    assert reasons[2].endswith("of its 5000 bytes the first 4096 are kept")
    # Retained as they are, a bridge of MQTT 3.1.1 is given them anew at every start; they are kept once all the same.
    assert bridge.stop() == 0
    listener = yard.broker.listen("v1/1/north/down/#", many=len(poison))
    yard.bridge(mqtt_version="3.1.1", max_bag_bytes="4096")
    assert {result(line)["status"] for line in listener.heard()} == {400, 413, 422}
    assert yard.reasons() == reasons


def test_what_was_put_aside_does_not_come_again(yard: Yard) -> None:
    bridge = yard.bridge()
    yard.broker.publish("v1/1/north/up/json", "no", user="1/north")
    eventually(lambda: len(yard.reasons()), 1)
    bridge.stop()
    listener = yard.broker.listen("v1/1/north/down/#", many=1)
    yard.bridge()
    yard.send(5)
    assert result(listener.heard()[0])["stored"] == 1  # the first and only thing said


def test_a_bag_with_some_refused_readings_is_kept(yard: Yard) -> None:
    yard.bridge()
    whole = json.loads(bag(1, 2))
    whole["readings"][1]["unit"] = "furlong"
    listener = yard.broker.listen("v1/1/north/down/#")
    yard.broker.publish("v1/1/north/up/json", json.dumps(whole), user="1/north")
    told = result(listener.heard()[0])
    assert (told["stored"], told["refused_count"]) == (1, 1)
    assert yard.numbers() == [1]
    assert yard.reasons() == []


def test_unknown_gateways_are_kept_aside_and_unknown_organisations_counted(yard: Yard) -> None:
    bridge = yard.bridge()
    listener = yard.broker.listen("v1/1/stranger/down/#")
    yard.broker.publish("v1/9/north/up/json", bag(1), user="9/north")
    yard.broker.publish("v1/1/stranger/up/json", bag(1), user="1/stranger")
    assert result(listener.heard()[0])["status"] == 404
    (reason,) = yard.reasons()
    assert "'stranger'" in reason
    assert yard.ask("select organisation_id, gateway, topic from quarantined_message") == [
        (1, "stranger", "v1/1/stranger/up/json")
    ]
    assert bridge.stop() == 0
    log = bridge.log.read_text()
    assert "organisation_unknown" in log
    assert "sha256=" in log
    assert yard.numbers() == []


def test_a_gateway_speaks_for_its_own_probes_alone(yard: Yard) -> None:
    """South is registered for PR-2; the broker has vouched for south, not for what south says of others."""
    yard.bridge()
    listener = yard.broker.listen("v1/1/+/down/#", many=3)
    yard.send(1, gateway="south", probe="PR-1")
    yard.send(2, gateway="south", probe="PR-2")
    pretending = bag(3, probe="PR-1", gateway="north")
    yard.broker.publish("v1/1/south/up/json", pretending, user="1/south")
    foreign, own, other = map(result, listener.heard())
    assert (foreign["stored"], foreign["refused_count"]) == (0, 1)
    assert (own["stored"], own["refused_count"]) == (1, 0)
    assert other["status"] == 422
    assert yard.numbers() == [2]


def test_a_gateway_by_its_id(yard: Yard) -> None:
    yard.bridge()
    name = str(yard.gateways["north"])
    yard.broker.end()
    yard.broker.prepare(f"1/{name}", autosave_s=1)
    yard.broker.start()
    yard.broker.publish(f"v1/1/{name}/up/json", bag(4), user=f"1/{name}")
    eventually(yard.numbers, [4])
    assert yard.ask("select gateway from batch") == [("north",)]


def test_state_and_last_will(yard: Yard) -> None:
    yard.bridge()
    told = '{"online": true, "since": "2026-05-04T14:00:00Z", "buffered": 12}'
    yard.broker.publish("v1/1/north/state", told, "-r", user="1/north")
    state = "select is_online, buffered, since is not null from gateway_state"
    eventually(lambda: yard.ask(state), [(True, 12, True)])

    async def die() -> None:
        will = gmqtt.Message("v1/1/north/state", '{"online": false}', qos=1, retain=True)
        client = gmqtt.Client("any", will_message=will)
        client.set_auth_credentials("1/north", PASSWORD)
        await client.connect("127.0.0.1", yard.broker.port)
        client._connection._transport.abort()  # a cellular link that breaks, not a client that says goodbye
        await asyncio.sleep(0)
        client.stop_reconnect()

    asyncio.run(die())
    eventually(lambda: yard.ask(state), [(False, None, False)])


def test_the_bridges_own_state(yard: Yard) -> None:
    listener = yard.broker.listen("v1/bridge/heapledger-bridge/state", many=4)
    yard.bridge().kill()
    yard.bridge().stop()
    assert [result(line)["online"] for line in listener.heard()] == [True, False, True, False]
