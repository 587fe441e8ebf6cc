//! The phone's side in Java and in XML against what the Rust side believes of it, read from the sources of both.
//!
//! Names and signatures cross the bridge as text: no compiler sees both ends.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

fn source(path: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).unwrap_or_else(|e| panic!("{path}: {e}"))
}

/// A method as both sides can say it: its argument types and what it returns, in the words of the JNI specification's
/// table of type signatures (Java Native Interface Specification, chapter 3).
type Signature = (Vec<&'static str>, &'static str);

fn java_type(word: &str) -> &'static str {
    match word {
        "void" => "V",
        "boolean" => "Z",
        "int" => "I",
        "long" => "J",
        "float" => "F",
        "double" => "D",
        "String" => "Ljava/lang/String;",
        other => panic!("the bridge has no use for {other} yet"),
    }
}

fn rust_type(word: &str) -> &'static str {
    match word {
        "" | "()" => "V",
        "jboolean" => "Z",
        "jint" => "I",
        "jlong" => "J",
        "jfloat" => "F",
        "jdouble" => "D",
        "JString" => "Ljava/lang/String;",
        other => panic!("the bridge has no use for {other} yet"),
    }
}

fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let (_, rest) = text.split_once(from).unwrap_or_else(|| panic!("{from} is missing"));
    rest.split_once(to)
        .unwrap_or_else(|| panic!("{to} is missing after {from}"))
        .0
}

/// The methods of the Rust side's table, by their Java name: those it calls, and those it is called by.
fn rust_side() -> (BTreeMap<String, Signature>, BTreeMap<String, Signature>) {
    let text = source("src/platform/android.rs");
    let table = between(&text, "bind_java_type! {", "\n}\n");
    let (calls, called) = table.split_once("native_methods {").expect("the table has both halves");
    // An activity's methods are called on it, and what it calls belongs to its class.
    assert_eq!(
        calls.matches("static fn ").count(),
        0,
        "a method of the activity is not static"
    );
    assert_eq!(
        called.matches("static fn ").count(),
        called.matches("name = \"").count(),
        "a native method is static"
    );
    let read = |half: &str| {
        half.split("fn ")
            .filter(|piece| piece.contains("name = \""))
            .map(|piece| {
                let name = between(piece, "name = \"", "\"").to_owned();
                let (_, signature) = piece.split_once("sig = ").expect("every method has a signature");
                let arguments = between(signature, "(", ")");
                let arguments = arguments
                    .split(',')
                    .filter_map(|argument| argument.split_once(':'))
                    .map(|(_, word)| rust_type(word.trim()))
                    .collect();
                let (_, after) = signature.split_once(')').expect("closed");
                let back = after.trim_start().strip_prefix("->").map_or("", |back| {
                    back.split([',', ' ', '}']).find(|word| !word.is_empty()).unwrap_or("")
                });
                (name, (arguments, rust_type(back.trim())))
            })
            .collect()
    };
    (read(calls), read(called))
}

/// The Java side's public methods that are not the system's own, and its native ones.
fn java_side() -> (BTreeMap<String, Signature>, BTreeMap<String, Signature>) {
    let text = source("android/java/app/lidmark/LidmarkActivity.java");
    let (mut offered, mut native) = (BTreeMap::new(), BTreeMap::new());
    let mut overridden = false;
    let mut pieces = text.split_inclusive([';', '{', '}']);
    for piece in pieces.by_ref() {
        let code = piece
            .lines()
            .map(str::trim)
            .filter(|line| !line.starts_with('*') && !line.starts_with("/*") && !line.starts_with("//"))
            .collect::<Vec<_>>()
            .join(" ");
        overridden = code.contains("@Override");
        let is_native = code.contains("private static native ");
        let declared = code.find("public ").filter(|_| !code.contains("class "));
        let Some(from) = (if is_native {
            code.find("native ").map(|at| at + 7)
        } else {
            declared.map(|at| at + 7)
        }) else {
            continue;
        };
        let Some((head, rest)) = code.get(from..).and_then(|head| head.split_once('(')) else {
            continue;
        };
        let mut words = head.split_whitespace();
        let (Some(back), Some(name), None) = (words.next(), words.next(), words.next()) else {
            continue;
        };
        if overridden {
            continue;
        }
        let arguments = rest.split_once(')').map_or("", |(arguments, _)| arguments);
        let arguments = arguments
            .split(',')
            .filter(|argument| !argument.trim().is_empty())
            .map(|argument| java_type(argument.split_whitespace().next().unwrap_or("")))
            .collect();
        let signature = (arguments, java_type(back));
        if is_native {
            native.insert(name.to_owned(), signature)
        } else {
            offered.insert(name.to_owned(), signature)
        };
    }
    let _ = overridden;
    (offered, native)
}

#[test]
fn both_ends_of_the_bridge_name_the_same_methods() {
    let (calls, called) = rust_side();
    let (offered, native) = java_side();
    assert!(
        calls.len() > 10 && called.len() > 5,
        "the tables were not read: {calls:?} {called:?}"
    );
    assert_eq!(calls, offered, "what Rust calls and what the activity offers");
    assert_eq!(called, native, "what the activity calls and what Rust offers");
}

#[test]
fn every_permission_used_is_declared_and_every_declared_one_is_used() {
    let manifest = source("android/AndroidManifest.xml");
    let declared: BTreeSet<&str> = manifest
        .split("android:name=\"android.permission.")
        .skip(1)
        .filter_map(|piece| piece.split('"').next())
        .collect();
    let java = source("android/java/app/lidmark/LidmarkActivity.java");
    let mut used: BTreeSet<&str> = java
        .split("Manifest.permission.")
        .skip(1)
        .filter_map(|piece| piece.split(|c: char| !c.is_ascii_uppercase() && c != '_').next())
        .filter(|word| !word.is_empty())
        .collect();
    // What asks for no permission by name in the code but fails without it (developer.android.com, Vibrator and Socket).
    assert!(java.contains(".vibrate("));
    used.insert("VIBRATE");
    assert!(source("src/platform/position.rs").contains("TcpStream"));
    used.insert("INTERNET");
    assert_eq!(declared, used);
}

#[test]
fn manifest_sources_and_build_name_the_same_things() {
    let manifest = source("android/AndroidManifest.xml");
    let package = between(&manifest, "package=\"", "\"");
    let rust = source("src/platform/android.rs");
    assert!(rust.contains(&format!("LidmarkActivity => \"{package}.LidmarkActivity\"")));
    for class in ["LidmarkActivity", "LidmarkFiles"] {
        let path = format!("android/java/{}/{class}.java", package.replace('.', "/"));
        assert!(source(&path).contains(&format!("package {package};")), "{path}");
        assert!(manifest.contains(&format!("android:name=\".{class}\"")), "{class}");
    }
    let files = source("android/java/app/lidmark/LidmarkFiles.java");
    let suffix = between(&files, "AUTHORITY = \"", "\"");
    assert!(manifest.contains(&format!("android:authorities=\"{package}{suffix}\"")));
    let library = between(&manifest, "android.app.lib_name\" android:value=\"", "\"");
    assert_eq!(library, env!("CARGO_PKG_NAME"));
    assert!(source("android/java/app/lidmark/LidmarkActivity.java").contains(&format!("loadLibrary(\"{library}\")")));
    // The two places that state the lowest API agree.
    let least = between(&manifest, "android:minSdkVersion=\"", "\"");
    assert!(source("android/build.sh").contains(&format!("min={least}\n")));
    let target = between(&manifest, "android:targetSdkVersion=\"", "\"");
    assert!(source("android/build.sh").contains(&format!("--target-sdk-version {target} ")));
    // The name under which Android starts the Rust side, and what makes a library of it.
    assert!(rust.contains("#[unsafe(no_mangle)]\nextern \"Rust\" fn android_main(app: AndroidApp)"));
    assert!(source("android/build.sh").contains("--crate-type cdylib"));
}

#[test]
fn every_refusal_of_the_phone_has_its_meaning_here_and_the_other_way_round() {
    let java = source("android/java/app/lidmark/LidmarkActivity.java");
    let quoted = |text: &str| text.split('"').nth(1).map(str::to_owned);
    let mut said: BTreeSet<String> = java
        .split("onRefused(")
        .skip(1)
        .filter(|piece| piece.starts_with('"'))
        .filter_map(quoted)
        .collect();
    // The last argument of `start(…)` is what is said when no app answers.
    said.extend(
        java.split("start(")
            .skip(1)
            .filter_map(|piece| piece.split(';').next())
            .filter(|call| call.contains('"'))
            .filter_map(|call| call.rsplit('"').nth(1))
            .map(str::to_owned),
    );
    let rust = source("src/platform/android.rs");
    let arms = between(&rust, "fn on_refused", "if let Some(lack)");
    let understood: BTreeSet<String> = arms
        .lines()
        .filter(|line| line.contains("=>"))
        .filter_map(quoted)
        .collect();
    assert!(said.len() > 5, "{said:?}");
    assert_eq!(said, understood);
}

#[test]
fn every_text_of_the_phone_side_is_there_in_both_languages() {
    let names = |path: &str| -> BTreeSet<String> {
        let text = source(path);
        text.split("<string name=\"")
            .skip(1)
            .filter(|piece| !piece.split('>').next().unwrap_or("").contains("translatable=\"false\""))
            .filter_map(|piece| piece.split('"').next())
            .map(str::to_owned)
            .collect()
    };
    let english = names("android/res/values/strings.xml");
    assert_eq!(english, names("android/res/values-es/strings.xml"));
    let java = source("android/java/app/lidmark/LidmarkActivity.java");
    let used: BTreeSet<String> = java
        .split("R.string.")
        .skip(1)
        .filter_map(|piece| piece.split(|c: char| !c.is_alphanumeric() && c != '_').next())
        .map(str::to_owned)
        .collect();
    assert_eq!(english, used);
}

#[test]
fn only_folders_the_app_writes_are_lent_to_others() {
    let files = source("android/java/app/lidmark/LidmarkFiles.java");
    let lent: Vec<&str> = between(&files, "LENT = {", "}")
        .split(',')
        .map(|word| word.trim().trim_matches('"'))
        .collect();
    let folders = source("src/platform/folders.rs");
    for folder in lent {
        assert!(folders.contains(&format!("join(\"{folder}\")")), "{folder}");
    }
}
