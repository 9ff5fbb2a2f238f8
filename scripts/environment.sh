# Sourced by scripts/test and scripts/demo: finds a Python, makes .venv, installs into it.
# Nothing here knows a registry or a path of one machine; pip and apt use the machine's own settings.

# Where this is set, every process of a daemon compiles everything anew, and takes twice as long to start.
unset PYTHONDONTWRITEBYTECODE

say() { printf '%s\n' "replank: $*" >&2; }

is_root() { [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; }

# apt_install PACKAGE...: quietly, only as root on a Debian kind of system, one call at a time; 1 where it did not work.
apt_install() {
    is_root || return 1
    say "installing $* with apt-get"
    (
        flock 9
        export DEBIAN_FRONTEND=noninteractive
        install() { apt-get install -y -q --no-install-recommends "$@" </dev/null >/dev/null 2>&1; }
        install "$@" && exit 0
        apt-get update -q </dev/null >/dev/null 2>&1 || true
        install "$@"
    ) 9>"${TMPDIR:-/tmp}/replank-apt-get"
}

# usable PYTHON: it runs, is 3.11 or newer, and can make virtual environments.
usable() {
    "$1" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1 </dev/null
}

# python-rtmidi has wheels for CPython up to 3.12, so 3.12 and 3.11 come first.
choose_python() {
    local candidate
    for candidate in ${REPLANK_PYTHON:-} python3.12 python3.11 python3 python; do
        if command -v "$candidate" >/dev/null 2>&1 && usable "$candidate"; then
            printf '%s\n' "$candidate"
            return 0
        fi
    done
    return 1
}

# Sets PYTHON; brings the parts that make virtual environments, or says what to install.
find_python() {
    PYTHON=$(choose_python) && return 0
    apt_install python3 python3-venv && PYTHON=$(choose_python) && return 0
    say "no Python 3.11 or newer with venv; install one, e.g.: sudo apt-get install python3 python3-venv"
    exit 3
}

# On Python 3.13 and newer pip builds python-rtmidi and needs a compiler and headers.
bring_build_parts() {
    "$PYTHON" -c 'import sys; sys.exit(sys.version_info >= (3, 13))' && return 0
    local parts="g++ pkg-config python3-dev libasound2-dev libjack-jackd2-dev"
    if command -v c++ >/dev/null 2>&1 && pkg-config --exists alsa jack 2>/dev/null; then return 0; fi
    # shellcheck disable=SC2086  # a list of words
    apt_install $parts && return 0
    say "MIDI ports need python-rtmidi, which is built from source on this Python; install Python 3.12," \
        "or: sudo apt-get install $parts"
    return 1
}

# make_environment [EXTRA]: .venv with this project in it, again only when pyproject.toml has changed.
make_environment() {
    local extras=${1:-} want stamp
    find_python
    want=$(cksum <pyproject.toml)
    # an environment for tests has all that another needs
    for stamp in ".venv/replank-$extras.stamp" .venv/replank-test.stamp; do
        if [ -x .venv/bin/python ] && [ "$(cat "$stamp" 2>/dev/null)" = "$want" ]; then return 0; fi
    done
    stamp=".venv/replank-$extras.stamp"
    if bring_build_parts; then extras="$extras,ports"; fi
    if ! { [ -x .venv/bin/python ] && .venv/bin/python -c ''; } 2>/dev/null; then
        "$PYTHON" -m venv --clear .venv
    fi
    # --no-compile: of the libraries for tests little is ever imported; what is, Python compiles then
    say "installing into .venv ($("$PYTHON" --version)); this takes a minute the first time"
    .venv/bin/python -m pip install -qq --disable-pip-version-check --no-compile -e ".[${extras#,}]" </dev/null
    printf '%s\n' "$want" >"$stamp"
}

# The Linux wheels of python-rtmidi need the system's libasound.so.2, also where only JACK is used.
bring_alsa_library() {
    [ "$(uname -s)" = Linux ] || return 0
    "$PYTHON" -c 'import ctypes; ctypes.CDLL("libasound.so.2")' 2>/dev/null && return 0
    apt_install libasound2 || apt_install libasound2t64 && return 0
    say "MIDI ports need the ALSA library; install it: sudo apt-get install libasound2 (or libasound2t64)"
    return 1
}
