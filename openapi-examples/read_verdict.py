"""A coordinator or a farm-record system: reads a pile's verdict, and puts it on file when asked.

    python openapi-examples/read_verdict.py --url http://127.0.0.1:8000 --key "$KEY" --pile ID [--issue RULE]

A verdict is evidence against a rule's text, never a permit: its state and its open duties are printed together.
"""

import argparse
import json

import httpx


def main() -> None:
    """Print each verdict in a few lines, then the whole of it as JSON."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--url", required=True)
    options.add_argument("--key", required=True)
    options.add_argument("--pile", required=True)
    options.add_argument("--issue", metavar="RULE", help="put this rule's verdict on file (scope write)")
    asked = options.parse_args()
    with httpx.Client(
        base_url=asked.url, headers={"Authorization": f"Bearer {asked.key}"}, timeout=30
    ) as client:
        if asked.issue:
            answer = client.post(f"/v1/piles/{asked.pile}/verdicts", json={"rule": asked.issue})
            verdicts = [answer.json()["verdict"]] if answer.is_success else []
        else:
            answer = client.get(f"/v1/piles/{asked.pile}/compliance")
            verdicts = answer.json()["items"] if answer.is_success else []
    if not answer.is_success:
        raise SystemExit(f"{answer.status_code}: {answer.json()['detail']}")
    for verdict in verdicts:
        print(f"{verdict['rule']['id']}: {verdict['state']} ({verdict['rule']['citation']})")
        if verdict["required_days"] is not None:
            print(f"  held {verdict['held_days']:.1f} of {verdict['required_days']:.1f} days", end="")
            print(f", {verdict['turns_counted']} of {verdict['turns_required']} turns")
        print(f"  next: {verdict['next']}")
        if verdict["duties_open"]:
            print(f"  not shown yet: {', '.join(verdict['duties_open'])}")
    print(json.dumps(verdicts))


if __name__ == "__main__":
    main()
