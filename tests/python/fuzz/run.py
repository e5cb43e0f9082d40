"""The whole API document against a running service, as two users, with schemathesis.

    run.py --server PATH            about two and a half minutes, always the same cases
    run.py --server PATH --soak     ten times as long, other cases each time

PATH is the service's program. It gets a data folder of its own, with its private PostgreSQL. Schemathesis
(https://schemathesis.readthedocs.io) makes requests that the document allows and such as it forbids, and checks every
answer against it: no 5xx, only documented statuses, types, headers and shapes, no refusal of what the document allows,
no acceptance of what it forbids, 405 with Allow for methods that an address does not take, 401 without a good token.

The first user owns the kitroom in the path; the second only looks at it, and owns another.
"""

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path

HERE = Path(__file__).resolve().parent
PASSWORD = "four wet socks at dawn"
# The person's own settings for a service of their own.
PRIVATE = ("TAREBOOK_LISTEN", "TAREBOOK_DATA_DIR", "TAREBOOK_DATABASE_URL", "TAREBOOK_LOG")


class Service:
    def __init__(self, program, folder):
        self.program, self.data = program, Path(folder) / "data"
        self.environment = {k: v for k, v in os.environ.items() if k not in PRIVATE}
        self.log = open(Path(folder) / "service.log", "w+")
        self.child = subprocess.Popen(
            [program, "serve", "--listen", "127.0.0.1:0", "--data-dir", self.data],
            env=self.environment, stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log,
        )
        self.url = self.wait()

    def wait(self):
        begun = time.monotonic()
        while time.monotonic() - begun < 120 and self.child.poll() is None:
            for line in Path(self.log.name).read_text().splitlines():
                if line.startswith("tarebook listens on "):
                    return line.split()[3]
            time.sleep(0.1)
        self.stop()
        sys.exit(f"the service did not start:\n{Path(self.log.name).read_text()}")

    def add_account(self, email, name):
        subprocess.run(
            [self.program, "account", "add", email, "--name", name, "--password-stdin", "--data-dir", self.data],
            env=self.environment, input=PASSWORD + "\n", text=True, check=True, capture_output=True,
        )

    def ask(self, method, path, body=None, token=None):
        headers = {"Content-Type": "application/json"}
        if token:
            headers["Authorization"] = f"Bearer {token}"
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(self.url + path, data, headers, method=method)
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.load(answer)

    def login(self, email):
        return self.ask("POST", "/v1/sessions", {"email": email, "password": PASSWORD})["access_token"]

    def stop(self):
        if self.child.poll() is None:
            self.child.send_signal(signal.SIGTERM)
        status = self.child.wait(timeout=60)
        if status != 0:
            sys.exit(f"the service ended with {status}:\n{Path(self.log.name).read_text()[-4000:]}")


def people(service):
    """An owner with a full kitroom, and somebody who may only look at it and owns another."""
    for email, name in (("owner@example.org", "Olga"), ("viewer@example.org", "Vera")):
        service.add_account(email, name)
    owner, viewer = service.login("owner@example.org"), service.login("viewer@example.org")
    room = service.ask("POST", "/v1/kitrooms", {"name": "club kit", "purpose": "club"}, owner)["id"]
    service.ask("POST", "/v1/kitrooms", {"name": "own kit", "purpose": "personal"}, viewer)
    at = f"/v1/kitrooms/{room}"
    secret = service.ask("POST", f"{at}/invitations", {"role": "viewer"}, owner)["token"]
    service.ask("POST", "/v1/memberships", {"invitation": secret}, viewer)
    item = service.ask("POST", f"{at}/items", {"name": "shell", "kind": "shell_jacket"}, owner)["id"]
    scale = service.ask("POST", f"{at}/scales", {"name": "scale", "resolution_g": 1, "capacity_g": 5000}, owner)["id"]
    sitting = service.ask("POST", f"{at}/sittings", {"scale_id": scale, "started_at": "2026-03-01T05:00:00Z"}, owner)["id"]
    check = {"sitting_id": sitting, "weight_name": "200 g", "known_g": 200, "known_u_g": 0.006, "reading_g": 201}
    check = service.ask("POST", f"{at}/check-readings", check, owner)["id"]
    weighing = service.ask("POST", f"{at}/weighings", {"item_id": item, "sitting_id": sitting, "reading_g": 412}, owner)["id"]
    gel = {"name": "gel", "kind": "food", "per_unit": True, "energy_kcal": 100, "label_mass_g": 40}
    gel = service.ask("POST", f"{at}/items", gel, owner)["id"]
    made = {}
    for kind, segment, body in [
        ("pocket", "pockets", {"item_id": item, "name": "front", "reach": "moving"}),
        ("log_entry", "log-entries", {"item_id": item, "event": "head_test", "head_mm": 15000, "relation": ">="}),
        ("stock_entry", "stock-entries", {"item_id": gel, "change": 24, "reason": "bought"}),
        ("season", "seasons", {"name": "2026", "from_on": "2026-01-01", "to_on": "2026-12-31"}),
        ("rule_sheet", "rule-sheets", {"name": "kit", "rules": [{"id": "whistle", "need": "count", "kinds": ["whistle"]}]}),
    ]:
        made[kind] = service.ask("POST", f"{at}/{segment}", body, owner)["id"]
    race = {"name": "race", "starts_at": "2026-08-28T16:00:00Z", "rule_sheet_id": made["rule_sheet"],
            "legs": [{"name": "end", "distance_km": 20, "expected_h": 5}]}
    made["race"] = service.ask("POST", f"{at}/races", race, owner)["id"]
    made["loadout"] = service.ask("POST", f"{at}/loadouts", {"name": "light", "race_id": made["race"]}, owner)["id"]
    for what, quantity in [(item, 1), (gel, 10)]:
        entry = {"item_id": what, "quantity": quantity, "carry_place": "stowed"}
        service.ask("POST", f"{at}/loadouts/{made['loadout']}/entries", entry, owner)
    ids = {"kitroom_id": room, "item_id": item, "scale_id": scale, "sitting_id": sitting, "check_reading_id": check,
           "weighing_id": weighing}
    device = service.ask("POST", "/v1/device-tokens", {"name": "device"}, owner)["token"]
    return {"owner": owner, "viewer": viewer, "owner's device": device}, ids


def settings(folder, ids):
    """The settings beside this script, with the kitroom in every path. Records are named or made up by turns."""
    text = (HERE / "schemathesis.toml").read_text()
    text = text.replace("KITROOM", ids["kitroom_id"])
    path = Path(folder) / "schemathesis.toml"
    path.write_text(text)
    return path


def fuzz(service, config, token, seconds, seed, more):
    command = [
        Path(sys.executable).parent / "schemathesis", "--config-file", config, "--no-color", "run",
        f"{service.url}/openapi.json", "--max-time", str(seconds), "--workers", "2", "--checks", "all",
        "-H", f"Authorization: Bearer {token}", "--continue-on-failure", "--suppress-health-check", "all",
        "--request-timeout", "20", "--no-shrink", "--generation-database", "none", *more,
    ]
    if seed is not None:
        command += ["--seed", str(seed)]
    return subprocess.run(command, cwd=config.parent).returncode


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--server", required=True, type=Path, help="the service's program")
    parser.add_argument("--soak", action="store_true", help="ten times as long, other cases each time")
    parser.add_argument("--seconds", type=int, help="how long for each of the two users")
    parser.add_argument("--only", help="one operation id")
    options = parser.parse_args()
    seconds = options.seconds or (600 if options.soak else 60)
    seed = None if options.soak else 20260301
    failed = []
    with tempfile.TemporaryDirectory(prefix="tb-fuzz-") as folder:
        # PostgreSQL runs as another user when this runs as root.
        os.chmod(folder, 0o755)
        service = Service(options.server.resolve(), folder)
        try:
            tokens, ids = people(service)
            config = settings(folder, ids)
            only = ["--include-operation-id", options.only] if options.only else None
            # Whoever logs out, deletes the kitroom or leaves it would end the run for all that comes after.
            ending = ["delete_session", "delete_kitroom", "delete_member"]
            rest = only or [word for name in ending for word in ("--exclude-operation-id", name)]
            for who, budget, more in [
                ("owner", seconds, rest),
                ("viewer", seconds, rest),
                ("owner's device", max(seconds // 4, 5), only or [w for n in ending for w in ("--include-operation-id", n)]),
            ]:
                print(f"\n=== as the {who}, {budget} s", flush=True)
                if fuzz(service, config, tokens[who], budget, seed, more) != 0:
                    failed.append(who)
        finally:
            service.stop()
            if failed:
                wrong = [line for line in Path(service.log.name).read_text().splitlines() if '"ERROR"' in line]
                print("\n".join(wrong[:20]))
    if failed:
        sys.exit(f"the document and the service disagree: as the {', the '.join(failed)}")


main()
