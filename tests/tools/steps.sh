# Steps with a heading and their time; sourced by tests/run and .ci/run.

# Runs a command under a heading and says how long it took and how it ended. Returns its status.
step() {
    local name=$1 began=$SECONDS status=0
    shift
    printf '\n== %s\n' "$name"
    "$@" || status=$?
    if ((status == 0)); then
        printf -- '-- %s: done in %d s\n' "$name" $((SECONDS - began))
    else
        printf -- '-- %s: FAILED with status %d after %d s\n' "$name" "$status" $((SECONDS - began))
    fi
    return "$status"
}

# One line for the summary at the end.
summary=()
failed=0

# Runs a part (a function of steps) and notes how it ended.
part() {
    local name=$1 began=$SECONDS
    shift
    if "$@"; then
        summary+=("$name: passed ($((SECONDS - began)) s)")
    else
        summary+=("$name: FAILED ($((SECONDS - began)) s)")
        failed=1
    fi
}

# Prints the summary; its status is that of the whole run.
close() {
    printf '\n== Summary\n'
    printf '%s\n' "${summary[@]}"
    return "$failed"
}
