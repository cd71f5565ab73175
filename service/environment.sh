# Makes the Python environment; read by service/start and tests/run.

fail() {
    echo "Stopped: $1" >&2
    exit 1
}

find_python() {
    local candidate
    for candidate in python3.13 python3.12 python3.11 python3; do
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' 2>/dev/null; then
            echo "$candidate"
            return
        fi
    done
    fail "Python 3.11, 3.12 or 3.13 is needed and none was found."
}

# prepare_environment FOLDER EXTRAS: makes FOLDER, or leaves it alone when nothing has changed.
prepare_environment() {
    local folder=$1 extras=$2 python wanted
    python=$(find_python)
    wanted=$(cat pyproject.toml .requirements/lock.txt <(echo "$extras") | cksum)
    if [ -x "$folder/bin/python" ] && [ "$(cat "$folder/.made-from" 2>/dev/null)" = "$wanted" ]; then
        return
    fi
    # The tests' environment holds all the service needs; starting the service leaves it alone.
    if [ -z "$extras" ] && [ "$(cat "$folder/.made-from" 2>/dev/null)" = "$(cat pyproject.toml .requirements/lock.txt <(echo '[postgres,test]') | cksum)" ]; then
        return
    fi
    echo "Setting up the Python environment in $folder (once; a minute or two)."
    [ -x "$folder/bin/python" ] || "$python" -m venv "$folder" || fail "The environment could not be made; on Debian, install python3-venv."
    "$folder/bin/python" -m pip install --quiet --disable-pip-version-check \
        --constraint .requirements/lock.txt --editable ".$extras" ||
        fail "The packages could not be installed; is the package index reachable?"
    echo "$wanted" >"$folder/.made-from"
}
