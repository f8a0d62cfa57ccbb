"""A process that uses the embedded server until it is told to stop, or killed.

Usage: ``embedded_child.py DATA_DIR [--as-nobody] [--patience SECONDS]``. Prints one JSON line once the server is
up (``{"service": conninfo}``) or was refused (``{"refused": text}``); then every line read is answered by one.
"""

import json
import os
import pwd
import sys
from pathlib import Path

from service.storage.embedded import EmbeddedServer, EmbeddedServerError


def become_nobody():
    # After the imports: the interpreter itself may lie where nobody may not go.
    account = pwd.getpwnam("nobody")
    os.setgroups([])
    os.setgid(account.pw_gid)
    os.setuid(account.pw_uid)


def main(data_dir, *options):
    if "--as-nobody" in options:
        become_nobody()
    patience_s = float(options[options.index("--patience") + 1]) if "--patience" in options else 60.0
    server = EmbeddedServer(Path(data_dir), patience_s=patience_s)
    try:
        logins = server.start()
    except EmbeddedServerError as error:
        say({"refused": str(error)})
        return
    say({"service": logins.service.conninfo, "uid": os.geteuid()})
    for line in sys.stdin:
        if line.strip() == "stop":
            server.stop()
            say({"stopped": True})


def say(fact):
    sys.stdout.write(json.dumps(fact) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(*sys.argv[1:])
