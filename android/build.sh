#!/bin/sh
# Builds an APK that can be installed: android/build.sh
#
# Needs an Android SDK (ANDROID_HOME, with build-tools and a platform of API 35 or later), an NDK (ANDROID_NDK_HOME, r26 or
# later), a JDK and rustup. No account anywhere, no Gradle.
# Signs with LIDMARK_KEYSTORE (file), LIDMARK_KEY_ALIAS and LIDMARK_KEYSTORE_PASSWORD; without them the APK stays unsigned.
# LIDMARK_ABIS chooses among "arm64-v8a armeabi-v7a x86_64" (all three when not given).
set -eu
cd "$(dirname "$0")/.."
need() { [ -n "$1" ] || { echo "missing: $2" >&2; exit 1; }; }
need "${ANDROID_HOME:-}" "ANDROID_HOME, the folder of an Android SDK"
need "${ANDROID_NDK_HOME:-}" "ANDROID_NDK_HOME, the folder of an Android NDK"
tools=$(ls -d "$ANDROID_HOME"/build-tools/* | sort -V | tail -n 1)
platform=$(ls -d "$ANDROID_HOME"/platforms/android-* | sort -V | tail -n 1)
export ANDROID_JAR=$platform/android.jar
min=26
version=$(sed -n 's/^version = "\(.*\)"/\1/p' Cargo.toml | head -n 1)
# 1.2.3 is 10203: every release is newer than the last to the phone.
code=$(echo "$version" | awk -F. '{ print $1 * 10000 + $2 * 100 + $3 }')
out=${CARGO_TARGET_DIR:-target}/android
rm -rf "$out/apk" "$out/gen" "$out/classes"
mkdir -p "$out/apk/lib" "$out/gen" "$out/classes"

host=$(ls -d "$ANDROID_NDK_HOME"/toolchains/llvm/prebuilt/* | head -n 1)
for abi in ${LIDMARK_ABIS:-arm64-v8a armeabi-v7a x86_64}; do
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
# shellcheck disable=SC2046
javac -encoding UTF-8 -source 8 -target 8 -bootclasspath "$ANDROID_JAR" -d "$out/classes" $(find android/java "$out/gen" -name '*.java')
# shellcheck disable=SC2046
"$tools/d8" --release --min-api $min --lib "$ANDROID_JAR" --output "$out/apk" $(find "$out/classes" -name '*.class')
cp "$out/base.apk" "$out/unaligned.apk"
(cd "$out/apk" && zip -q -r -0 "../unaligned.apk" lib && zip -q "../unaligned.apk" classes.dex)
apk=$out/lidmark-$version.apk
"$tools/zipalign" -f -P 16 4 "$out/unaligned.apk" "$apk"
if [ -n "${LIDMARK_KEYSTORE:-}" ]; then
    need "${LIDMARK_KEYSTORE_PASSWORD:-}" "LIDMARK_KEYSTORE_PASSWORD"
    "$tools/apksigner" sign --ks "$LIDMARK_KEYSTORE" ${LIDMARK_KEY_ALIAS:+--ks-key-alias "$LIDMARK_KEY_ALIAS"} \
        --ks-pass env:LIDMARK_KEYSTORE_PASSWORD "$apk"
    "$tools/apksigner" verify "$apk"
    echo "signed: $apk ($(wc -c <"$apk") bytes)"
else
    echo "unsigned (no LIDMARK_KEYSTORE): $apk ($(wc -c <"$apk") bytes)"
fi
