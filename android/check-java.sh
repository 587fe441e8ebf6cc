#!/bin/sh
# Compiles the Java side with every warning on, against a real android.jar.
set -eu
. "$(dirname "$0")/tools.sh"
install javac default-jdk-headless
find_android_jar
if [ "$ALLOW_MISSING" = yes ]; then "$ROOT/android/check-manifest.sh" --allow-missing; else "$ROOT/android/check-manifest.sh"; fi
classes=$OUT/classes
rm -rf "$classes"
mkdir -p "$classes"
# shellcheck disable=SC2046
# java.* comes from the JDK as Java 8 knew it: API 23 lacks what the compiler turns a lambda into, which the dexer replaces.
javac -Xlint:all,-options,-classfile -Werror -encoding UTF-8 --release 8 -classpath "$ANDROID_JAR" -d "$classes" \
    $(find "$ROOT/android/java" "$OUT/manifest/gen" -name '*.java')
echo "Java: compiled against $(basename "$(dirname "$ANDROID_JAR")")"
