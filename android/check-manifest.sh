#!/bin/sh
# Packs manifest and resources with aapt against a real android.jar, and writes the R class the Java side needs.
# Attributes newer than that android.jar are listed here and left out of this check: an SDK's own aapt2 checks them in build.sh.
set -eu
. "$(dirname "$0")/tools.sh"
install aapt aapt
find_android_jar
work=$OUT/manifest
rm -rf "$work"
mkdir -p "$work/gen"
cp -r "$ROOT/android/res" "$work/res"
version=$(sed -n 's/^version = "\(.*\)"/\1/p' "$ROOT/Cargo.toml" | head -n 1)
case "$ANDROID_JAR" in
    *android-23*)
        echo "left out of this check, newer than API 23: dataExtractionRules (31), resizeableActivity (24), configChanges density (24), adaptive icon (26)"
        sed -e '/android:dataExtractionRules/d' -e '/android:resizeableActivity/d' -e 's/|density//' "$ROOT/android/AndroidManifest.xml" >"$work/AndroidManifest.xml"
        mkdir -p "$work/res/mipmap-hdpi"
        # The icon exists for API 26 and later only, where every phone the app runs on is; this check needs one of any kind.
        cp "$work/res/drawable/icon_lid.xml" "$work/res/mipmap-hdpi/icon.xml"
        ;;
    *) cp "$ROOT/android/AndroidManifest.xml" "$work/AndroidManifest.xml" ;;
esac
aapt package -f -m -M "$work/AndroidManifest.xml" -S "$work/res" -I "$ANDROID_JAR" -J "$work/gen" -F "$work/resources.apk" --version-name "$version"
aapt dump badging "$work/resources.apk" >"$work/badging.txt"
grep -q "package: name='app.lidmark'.* versionName='$version'" "$work/badging.txt" || { echo "the package's name or version is wrong:"; cat "$work/badging.txt"; exit 1; }
grep -q "launchable-activity: name='app.lidmark.LidmarkActivity'" "$work/badging.txt" || { echo "no activity can be started:"; cat "$work/badging.txt"; exit 1; }
aapt dump --values resources "$work/resources.apk" | grep -q "why_position" || { echo "the reason for the position is not among the resources"; exit 1; }
echo "manifest and resources: packed by aapt against $(basename "$(dirname "$ANDROID_JAR")")"
