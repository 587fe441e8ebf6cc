#!/bin/sh
# Builds an APK that can be installed: android/build.sh
#
# Needs an Android SDK (ANDROID_HOME, with build-tools and a platform, both of API 35 or later), an NDK (ANDROID_NDK_HOME,
# r26d or later), a JDK (17 or later), rustup, curl and zip. No account anywhere, no Gradle.
# Skia comes prebuilt for arm64-v8a and x86_64 and is fetched by its crate. For armeabi-v7a it is built here, which takes
# clang, git, python3 and ninja, and half an hour; LIDMARK_ABIS="arm64-v8a x86_64" leaves it out.
# Signs with LIDMARK_KEYSTORE (file), LIDMARK_KEY_ALIAS and LIDMARK_KEYSTORE_PASSWORD; without them the APK stays unsigned.
# LIDMARK_ABIS chooses among "arm64-v8a armeabi-v7a x86_64" (all three when not given).
set -eu
cd "$(dirname "$0")/.."
need() { [ -n "$1" ] || { echo "missing: $2" >&2; exit 1; }; }
need "${ANDROID_HOME:-}" "ANDROID_HOME, the folder of an Android SDK"
need "${ANDROID_NDK_HOME:-}" "ANDROID_NDK_HOME, the folder of an Android NDK"
tool() { command -v "$1" >/dev/null || { echo "missing: the program $1 ($2)" >&2; exit 1; }; }
tool rustup "rustup.rs"
tool javac "a JDK, 17 or later"
tool curl "it fetches Skia"
tool zip "it puts the package together"
abis=${LIDMARK_ABIS:-arm64-v8a armeabi-v7a x86_64}
case " $abis " in
    *" armeabi-v7a "*) for program in clang git python3 ninja; do tool $program "Skia is built with it for armeabi-v7a; or leave that out with LIDMARK_ABIS"; done ;;
esac
if [ -n "${LIDMARK_KEYSTORE:-}" ]; then
    need "${LIDMARK_KEYSTORE_PASSWORD:-}" "LIDMARK_KEYSTORE_PASSWORD"
    [ -f "$LIDMARK_KEYSTORE" ] || { echo "missing: the keystore $LIDMARK_KEYSTORE" >&2; exit 1; }
fi
# Slint looks for the NDK under one name, Skia under another.
export ANDROID_NDK="$ANDROID_NDK_HOME" ANDROID_NDK_ROOT="$ANDROID_NDK_HOME"
tools=$(ls -d "$ANDROID_HOME"/build-tools/* 2>/dev/null | sort -V | tail -n 1)
platform=$(ls -d "$ANDROID_HOME"/platforms/android-* 2>/dev/null | sort -V | tail -n 1)
need "$tools" "the SDK's build-tools: sdkmanager 'build-tools;35.0.0'"
need "$platform" "a platform of the SDK: sdkmanager 'platforms;android-35'"
[ "$(basename "$tools" | cut -d. -f1)" -ge 35 ] || { echo "missing: build-tools 35 or later (pages of 16 KB), found only $tools" >&2; exit 1; }
api=$(basename "$platform" | sed 's/^android-\([0-9]*\).*/\1/')
[ "${api:-0}" -ge 35 ] || { echo "missing: a platform of API 35 or later, found only $platform" >&2; exit 1; }
export ANDROID_JAR=$platform/android.jar
min=26
version=$(sed -n 's/^version = "\(.*\)"/\1/p' Cargo.toml | head -n 1)
# 1.2.3 is 10203: every release is newer than the last to the phone.
code=$(echo "$version" | awk -F. '{ print $1 * 10000 + $2 * 100 + $3 }')
out=${CARGO_TARGET_DIR:-target}/android
rm -rf "$out/apk" "$out/gen" "$out/classes"
mkdir -p "$out/apk/lib" "$out/gen" "$out/classes"

host=$(ls -d "$ANDROID_NDK_HOME"/toolchains/llvm/prebuilt/* 2>/dev/null | head -n 1)
need "$host" "the compilers of the NDK: $ANDROID_NDK_HOME/toolchains is not there"
for abi in $abis; do
    case "$abi" in
        arm64-v8a) target=aarch64-linux-android; clang=aarch64-linux-android$min-clang ;;
        armeabi-v7a) target=armv7-linux-androideabi; clang=armv7a-linux-androideabi$min-clang ;;
        x86_64) target=x86_64-linux-android; clang=x86_64-linux-android$min-clang ;;
        *) echo "unknown ABI: $abi" >&2; exit 1 ;;
    esac
    rustup target add "$target"
    low=$(echo "$target" | tr - _)
    up=$(echo "$low" | tr a-z A-Z)
    export "CC_$low=$host/bin/$clang" "CXX_$low=$host/bin/$clang++" "AR_$low=$host/bin/llvm-ar" "CARGO_TARGET_${up}_LINKER=$host/bin/$clang"
    # Pages of 16 KB: API 35 phones may have them.
    RUSTFLAGS="-C link-arg=-Wl,-z,max-page-size=16384" cargo rustc --locked --release --lib --crate-type cdylib --target "$target"
    mkdir -p "$out/apk/lib/$abi"
    cp "${CARGO_TARGET_DIR:-target}/$target/release/liblidmark.so" "$out/apk/lib/$abi/"
done

"$tools/aapt2" compile --dir android/res -o "$out/resources.zip"
"$tools/aapt2" link -o "$out/base.apk" -I "$ANDROID_JAR" --manifest android/AndroidManifest.xml --java "$out/gen" \
    --min-sdk-version $min --target-sdk-version 35 --version-code "$code" --version-name "$version" "$out/resources.zip"
# java.* comes from the JDK as Java 8 knew it: android.jar lacks what the compiler turns a lambda into, which d8 replaces.
# shellcheck disable=SC2046
javac -Xlint:-options -encoding UTF-8 --release 8 -classpath "$ANDROID_JAR" -d "$out/classes" $(find android/java "$out/gen" -name '*.java')
# shellcheck disable=SC2046
"$tools/d8" --release --min-api $min --lib "$ANDROID_JAR" --output "$out/apk" $(find "$out/classes" -name '*.class')
cp "$out/base.apk" "$out/unaligned.apk"
(cd "$out/apk" && zip -q -r -0 "../unaligned.apk" lib && zip -q "../unaligned.apk" classes.dex)
apk=$out/lidmark-$version.apk
"$tools/zipalign" -f -P 16 4 "$out/unaligned.apk" "$apk"
if [ -n "${LIDMARK_KEYSTORE:-}" ]; then
    "$tools/apksigner" sign --ks "$LIDMARK_KEYSTORE" ${LIDMARK_KEY_ALIAS:+--ks-key-alias "$LIDMARK_KEY_ALIAS"} \
        --ks-pass env:LIDMARK_KEYSTORE_PASSWORD "$apk"
    "$tools/apksigner" verify "$apk"
    echo "signed: $apk ($(wc -c <"$apk") bytes)"
else
    echo "unsigned (no LIDMARK_KEYSTORE): $apk ($(wc -c <"$apk") bytes)"
fi
