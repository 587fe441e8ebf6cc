# Installs what building needs and is missing: a C compiler, pkg-config, fontconfig's headers, and Rust.
missing=
for tool in cc pkg-config curl; do command -v "$tool" >/dev/null || missing="$missing $tool"; done
pkg-config --exists fontconfig 2>/dev/null || missing="$missing fontconfig"
if [ -n "$missing" ]; then
    echo "installing what is missing:$missing"
    if [ "$(id -u)" = 0 ]; then as_root=; else as_root=sudo; fi
    $as_root apt-get update -qq
    $as_root apt-get install -y -qq gcc libc6-dev pkg-config libfontconfig-dev curl ca-certificates
fi
if ! command -v cargo >/dev/null; then
    if [ -f "$HOME/.cargo/env" ]; then
        . "$HOME/.cargo/env"
    else
        echo "installing Rust with rustup"
        curl --proto '=https' --tlsv1.2 -sSf https://sh.rustup.rs | sh -s -- -y --profile minimal
        . "$HOME/.cargo/env"
    fi
fi
