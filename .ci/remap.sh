# To be sourced: what cargo builds from here on carries no path of this machine. A panic names its place in the source, and in
# a dependency that is a path under the home of whoever built it. Stable cargo has no switch for that (`trim-paths` is not
# stable in 1.95), so rustc is told what to write in place of these folders. Of several that fit, the last one counts.
machine_s_folders() {
    local home=${CARGO_HOME:-$HOME/.cargo}
    printf '%s\n' "$HOME=home" "$home=cargo" "$(rustc --print sysroot)=rust" "${CARGO_TARGET_DIR:-$PWD/target}=target" "$PWD=."
}

# Flags are told apart by this character, so that a folder may have spaces in its name.
CARGO_ENCODED_RUSTFLAGS=$(machine_s_folders | sed 's/^/--remap-path-prefix=/' | paste -sd $'\037')
export CARGO_ENCODED_RUSTFLAGS
