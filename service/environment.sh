# Makes the Python environment; read by service/start and tests/run.

fail() {
    echo "Stopped: $1" >&2
    exit 1
}

find_python() {
    local candidate
    for candidate in python3.13 python3.12 python3.11 python3 python; do
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' 2>/dev/null; then
            echo "$candidate"
            return
        fi
    done
    fail "Python 3.11, 3.12 or 3.13 is needed and none was found."
}

# made_from EXTRAS: a figure that changes when the environment has to be made anew.
made_from() {
    { echo "$PWD $1" && cat pyproject.toml .requirements/lock.txt; } | cksum
}

# prepare_environment FOLDER EXTRAS: makes FOLDER, or leaves it alone when nothing has changed.
prepare_environment() {
    local folder=$1 extras=$2 python known=""
    if [ -x "$folder/bin/python" ] && [ -f "$folder/.made-from" ]; then
        known=$(cat "$folder/.made-from")
    fi
    if [ "$known" = "$(made_from "$extras")" ]; then
        return
    fi
    # The tests' environment holds all the service needs; starting the service leaves it alone.
    if [ -z "$extras" ] && [ "$known" = "$(made_from "[postgres,test]")" ]; then
        return
    fi
    echo "Setting up the Python environment in $folder (once; a minute or two)."
    if ! "$folder/bin/python" -m pip --version >/dev/null 2>&1; then
        python=$(find_python)
        rm -rf "$folder"
        "$python" -m venv "$folder" >/dev/null ||
            fail "The environment could not be made; on Debian or Ubuntu, install python3-venv."
    fi
    "$folder/bin/python" -m pip install --quiet --disable-pip-version-check \
        --constraint .requirements/lock.txt --editable ".$extras" ||
        fail "The packages could not be installed; is the package index reachable?"
    made_from "$extras" >"$folder/.made-from"
}
