//! The app on an Android phone: what it asks goes to `LidmarkActivity`, what the phone tells comes back as news.
//!
//! The names and signatures below are the Java side's; `tests/all/android.rs` fails when either drifts.

#![allow(
    unsafe_code,
    reason = "the phone hands over raw pointers to its virtual machine and its activity"
)]

use crate::app::device::{Ask, Device, FileKind, Lack, Moment, News, Request};
use crate::platform::start;
use jni::objects::JString;
use jni::refs::{Global, LoaderContext};
use jni::sys::{jboolean, jdouble, jfloat, jlong};
use jni::{Env, JavaVM, bind_java_type};
use slint::android::AndroidApp;
use slint::android::android_activity::{MainEvent, PollEvent};
use std::path::PathBuf;
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

bind_java_type! {
    LidmarkActivity => "app.lidmark.LidmarkActivity",
    methods {
        fn start_position { name = "startPosition", sig = () },
        fn stop_position { name = "stopPosition", sig = () },
        fn start_heading { name = "startHeading", sig = () },
        fn stop_heading { name = "stopHeading", sig = () },
        fn take_picture { name = "takePicture", sig = (path: JString) },
        fn pick_file { name = "pickFile", sig = (folder: JString, media_type: JString) },
        fn share_file { name = "shareFile", sig = (path: JString, media_type: JString) },
        fn save_file { name = "saveFile", sig = (path: JString, media_type: JString, name: JString) },
        fn buzz { name = "buzz", sig = (millis: jint) },
        fn keep_screen_on { name = "keepScreenOn", sig = (on: jboolean) },
        fn open_map { name = "openMap", sig = (latitude: jdouble, longitude: jdouble, label: JString) },
        fn dial { name = "dial", sig = (number: JString) },
        fn leave { name = "leave", sig = () },
        fn text_scale { name = "textScale", sig = () -> jfloat },
    },
    native_methods_error_policy = jni::errors::LogErrorAndDefault,
    native_methods {
        static fn on_position {
            name = "onPosition",
            sig = (latitude: jdouble, longitude: jdouble, accuracy: jfloat, speed: jfloat, course: jfloat, millis: jlong),
            fn = on_position,
        },
        static fn on_heading { name = "onHeading", sig = (degrees: jfloat), fn = on_heading },
        static fn on_permission { name = "onPermission", sig = (granted: jboolean), fn = on_permission },
        static fn on_picture { name = "onPicture", sig = (path: JString, taken: jboolean), fn = on_picture },
        static fn on_file { name = "onFile", sig = (path: JString, problem: JString), fn = on_file },
        static fn on_saved { name = "onSaved", sig = (saved: jboolean, problem: JString), fn = on_saved },
        static fn on_refused { name = "onRefused", sig = (what: JString), fn = on_refused },
        static fn on_clock_changed { name = "onClockChanged", sig = (), fn = on_clock_changed },
        static fn on_text_scale { name = "onTextScale", sig = (scale: jfloat), fn = on_text_scale },
    },
}

/// Where news goes: the app's queue, and what wakes its window. Java calls from its own threads.
struct Listener {
    news: Sender<News>,
    wake: Box<dyn Fn() + Send>,
}

static LISTENER: OnceLock<Mutex<Option<Listener>>> = OnceLock::new();

fn tell(news: News) {
    let slot = LISTENER.get_or_init(|| Mutex::new(None));
    let listener = slot.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(listener) = listener.as_ref() {
        // The app may be gone while the phone still talks; then nobody is left to tell.
        drop(listener.news.send(news));
        (listener.wake)();
    }
}

type Done = Result<(), jni::errors::Error>;
type Class<'local> = jni::objects::JClass<'local>;

#[allow(clippy::too_many_arguments, reason = "the signature is the Java side's")]
#[allow(clippy::unnecessary_wraps, reason = "the binding asks for a result")]
fn on_position<'local>(
    _env: &mut Env<'local>,
    _class: Class<'local>,
    latitude: jdouble,
    longitude: jdouble,
    accuracy: jfloat,
    speed: jfloat,
    course: jfloat,
    millis: jlong,
) -> Done {
    position::heard(latitude, longitude, accuracy, speed, course, millis);
    Ok(())
}
