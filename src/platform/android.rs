//! The app on an Android phone: what it asks goes to `LidmarkActivity`, what the phone tells comes back as news.
//!
//! The names and signatures below are the Java side's; `tests/all/android.rs` fails when either drifts.

#![allow(
    unsafe_code,
    reason = "the phone hands over raw pointers to its virtual machine and its activity"
)]
#![allow(clippy::needless_pass_by_value, reason = "the bridge hands its texts over by value")]
#![allow(
    clippy::unnecessary_wraps,
    reason = "the bridge asks for a result of everything it calls"
)]

use crate::app::device::{Device, Lack, Moment, News, Request};
use crate::app::photos::PictureSource;
use crate::app::position::{OpenSource, Opener, SourceChoice};
use crate::app::session::Clock;
use crate::domain::locate::Position;
use crate::domain::locate::fix::Fix;
use crate::exchange::position::{PositionSource, SourceError};
use crate::platform::folders::Folders;
use crate::platform::position;
use crate::platform::start::{self, Opening, Parts, RunError};
use crate::ui;
use chrono::DateTime;
use jni::objects::{JClass, JString};
use jni::refs::{Global, LoaderContext};
use jni::sys::{jboolean, jdouble, jfloat, jint, jlong};
use jni::{Env, JavaVM, bind_java_type};
use slint::android::AndroidApp;
use slint::android::android_activity::{MainEvent, PollEvent};
use slint::{ComponentHandle, Global as _};
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

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

/// What the phone's own threads hand over, until the app is there to take it.
#[derive(Default)]
struct Listeners {
    /// What was told before the app was there.
    early: Vec<News>,
    news: Option<Sender<News>>,
    fixes: Option<Sender<Fix>>,
    wake: Option<Box<dyn Fn() + Send>>,
}

static LISTENERS: Mutex<Listeners> = Mutex::new(Listeners {
    early: Vec::new(),
    news: None,
    fixes: None,
    wake: None,
});

fn tell(news: News) {
    let mut listeners = LISTENERS.lock().unwrap_or_else(PoisonError::into_inner);
    // An app that has ended hears nothing more: what is told then waits for the next one in this process.
    let unheard = match &listeners.news {
        Some(sender) => sender.send(news).err().map(|error| error.0),
        None => Some(news),
    };
    listeners.early.extend(unheard);
    if let Some(wake) = &listeners.wake {
        wake();
    }
}

type Done = Result<(), jni::errors::Error>;

#[allow(clippy::too_many_arguments, reason = "the Java side's signature")]
fn on_position<'local>(
    _env: &mut Env<'local>,
    _class: JClass<'local>,
    latitude: jdouble,
    longitude: jdouble,
    accuracy: jfloat,
    speed: jfloat,
    course: jfloat,
    millis: jlong,
) -> Done {
    let given = |value: jfloat| value.is_finite().then(|| f64::from(value));
    // A phone that reports what is no position is not believed.
    if let Ok(position) = Position::new(latitude, longitude) {
        let mut fix = Fix::new(position, given(accuracy));
        fix.time = DateTime::from_timestamp_millis(millis);
        // Course counts while it moves, as with every other source.
        fix.course_deg = given(course).filter(|_| given(speed).is_some_and(|speed| speed > 0.5));
        let listeners = LISTENERS.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(sender) = &listeners.fixes {
            // A feed that was just closed wants no more of them.
            let _ = sender.send(fix);
        }
    }
    Ok(())
}

fn on_heading<'local>(_env: &mut Env<'local>, _class: JClass<'local>, degrees: jfloat) -> Done {
    tell(News::Heading(f64::from(degrees)));
    Ok(())
}

fn on_permission<'local>(_env: &mut Env<'local>, _class: JClass<'local>, granted: jboolean) -> Done {
    if !granted {
        tell(News::Lacks(Lack::PositionNotPermitted));
    }
    Ok(())
}

fn on_picture<'local>(env: &mut Env<'local>, _class: JClass<'local>, path: JString<'local>, taken: jboolean) -> Done {
    let path = PathBuf::from(path.try_to_string(env)?);
    tell(if taken {
        News::Picture(path)
    } else {
        News::NoPicture(path)
    });
    Ok(())
}

fn on_file<'local>(
    env: &mut Env<'local>,
    _class: JClass<'local>,
    path: JString<'local>,
    problem: JString<'local>,
) -> Done {
    let (path, problem) = (path.try_to_string(env)?, problem.try_to_string(env)?);
    tell(if path.is_empty() {
        News::NoFile(problem)
    } else {
        News::File(PathBuf::from(path))
    });
    Ok(())
}

fn on_saved<'local>(env: &mut Env<'local>, _class: JClass<'local>, saved: jboolean, problem: JString<'local>) -> Done {
    let problem = problem.try_to_string(env)?;
    tell(if saved { News::Saved } else { News::NotSaved(problem) });
    Ok(())
}

#[allow(clippy::match_same_arms, reason = "every word of the Java side stands here by name")]
fn on_refused<'local>(env: &mut Env<'local>, _class: JClass<'local>, what: JString<'local>) -> Done {
    let lack = match what.try_to_string(env)?.as_str() {
        "position_off" => Some(Lack::PositionOff),
        // Nothing to say: the course does the same while walking.
        "no_compass" => None,
        "no_camera" => Some(Lack::Camera),
        "no_file_chooser" => Some(Lack::FileChooser),
        "nothing_to_share_with" => Some(Lack::ShareTarget),
        "no_map" => Some(Lack::Map),
        "no_telephone" => Some(Lack::Telephone),
        _ => None,
    };
    if let Some(lack) = lack {
        tell(News::Lacks(lack));
    }
    Ok(())
}

fn on_clock_changed<'local>(_env: &mut Env<'local>, _class: JClass<'local>) -> Done {
    tell(News::Moment(Moment::ClockChanged));
    Ok(())
}

fn on_text_scale<'local>(_env: &mut Env<'local>, _class: JClass<'local>, scale: jfloat) -> Done {
    tell(News::TextScale(f64::from(scale)));
    Ok(())
}

/// The phone's own position, as it is handed over by its threads.
struct PhonePosition(Receiver<Fix>);

impl PositionSource for PhonePosition {
    fn next_fix(&mut self) -> Result<Option<Fix>, SourceError> {
        match self.0.recv_timeout(Duration::from_millis(200)) {
            Ok(fix) => Ok(Some(fix)),
            Err(RecvTimeoutError::Timeout) => Err(SourceError::Quiet),
            Err(RecvTimeoutError::Disconnected) => Ok(None),
        }
    }
}

/// Opens the phone's own position here, and every other source as on a desktop.
fn opener() -> Opener {
    let others = position::opener(1.0);
    Arc::new(move |choice| {
        if *choice != SourceChoice::Device {
            return others(choice);
        }
        let (sender, fixes) = channel();
        LISTENERS.lock().unwrap_or_else(PoisonError::into_inner).fixes = Some(sender);
        Ok(OpenSource {
            source: Box::new(PhonePosition(fixes)),
            // A phone under a roof may be silent for long: that is no dropped line.
            live: false,
        })
    })
}

type Activity = Global<LidmarkActivity<'static>>;

fn activity(app: &AndroidApp) -> Result<Activity, jni::errors::Error> {
    // SAFETY: `vm_as_ptr` is the process's one virtual machine, valid for as long as the process lives.
    let vm = unsafe { JavaVM::from_raw(app.vm_as_ptr().cast()) };
    vm.attach_current_thread(|env| {
        let raw = app.activity_as_ptr().cast();
        // SAFETY: `activity_as_ptr` is a global reference to the activity that started this thread and outlives it; the
        // cast is checked against the class.
        let activity = unsafe { env.as_cast_raw::<Global<jni::objects::JObject>>(&raw)? };
        let local = env.new_local_ref(&*activity)?;
        let loader = LoaderContext::FromObject(&local);
        let _ = LidmarkActivityAPI::get(env, &loader)?;
        let own = LidmarkActivity::cast_local(env, local)?;
        env.new_global_ref(&own)
    })
}

fn text<'local>(env: &mut Env<'local>, text: &str) -> Result<JString<'local>, jni::errors::Error> {
    JString::from_str(env, text)
}

fn ask(activity: &Activity, request: &Request) -> Result<(), jni::errors::Error> {
    JavaVM::singleton()?.attach_current_thread(|env| {
        let path = |path: &PathBuf| path.to_string_lossy().into_owned();
        match request {
            Request::Position(true) => {
                activity.start_position(env)?;
                activity.start_heading(env)
            }
            Request::Position(false) => {
                activity.stop_position(env)?;
                activity.stop_heading(env)
            }
            Request::TakePicture(to) => {
                let to = text(env, &path(to))?;
                activity.take_picture(env, &to)
            }
            Request::PickFile { folder, kind } => {
                let (folder, kind) = (text(env, &path(folder))?, text(env, kind.media_type())?);
                activity.pick_file(env, &folder, &kind)
            }
            Request::Share { file, kind } => {
                let (file, kind) = (text(env, &path(file))?, text(env, kind.media_type())?);
                activity.share_file(env, &file, &kind)
            }
            Request::SaveTo { file, kind } => {
                let name = file.file_name().unwrap_or_default().to_string_lossy().into_owned();
                let (file, kind, name) = (
                    text(env, &path(file))?,
                    text(env, kind.media_type())?,
                    text(env, &name)?,
                );
                activity.save_file(env, &file, &kind, &name)
            }
            Request::Buzz => activity.buzz(env, BUZZ_MS),
            Request::KeepScreenOn(on) => activity.keep_screen_on(env, *on),
            Request::OpenMap { at, label } => {
                let label = text(env, label)?;
                let (latitude, longitude) = at
                    .as_ref()
                    .map_or((f64::NAN, f64::NAN), |at| (at.latitude_deg(), at.longitude_deg()));
                activity.open_map(env, latitude, longitude, &label)
            }
            Request::Dial(number) => {
                let number = text(env, number)?;
                activity.dial(env, &number)
            }
            Request::LeaveApp => activity.leave(env),
        }
    })
}

/// How long a kept tap is felt, ms.
const BUZZ_MS: jint = 20;

/// Runs the app on the activity that started this thread.
fn run(app: &AndroidApp) -> Result<(), RunError> {
    let no_window = |error: &dyn std::fmt::Display| RunError::NoDisplay(error.to_string());
    let activity = activity(app).map_err(|error| no_window(&error))?;
    slint::android::init_with_event_listener(app.clone(), |event| {
        if let PollEvent::Main(event) = event {
            let moment = match event {
                MainEvent::Pause => Moment::Hidden,
                MainEvent::Resume { .. } => Moment::Shown,
                MainEvent::LowMemory => Moment::LowMemory,
                MainEvent::Destroy => Moment::Ending,
                _ => return,
            };
            tell(News::Moment(moment));
        }
    })
    .map_err(|error| no_window(&error))?;
    let folder = app
        .internal_data_path()
        .ok_or_else(|| no_window(&"the phone names no folder of the app's own"))?;
    let folders = Folders::at(folder);
    let opening = Opening::begin(&folders);
    let window = match ui::AppWindow::new() {
        Ok(window) => window,
        Err(error) => {
            opening.give_up();
            return Err(no_window(&error));
        }
    };
    let (sender, news) = channel();
    let weak = window.as_weak();
    {
        let mut listeners = LISTENERS.lock().unwrap_or_else(PoisonError::into_inner);
        for news in listeners.early.drain(..) {
            // The receiver is in this function still.
            drop(sender.send(news));
        }
        listeners.news = Some(sender);
        listeners.wake = Some(Box::new(move || {
            drop(weak.upgrade_in_event_loop(|window| ui::AppApi::get(&window).invoke_news()));
        }));
    }
    let scale = JavaVM::singleton().and_then(|vm| vm.attach_current_thread(|env| activity.text_scale(env)));
    if let Ok(scale) = scale {
        tell(News::TextScale(f64::from(scale)));
    }
    let device = Device::new(Arc::new(move |request| {
        // A phone that refuses says so by itself; a broken bridge has nobody to say it.
        drop(ask(&activity, &request));
    }));
    let clock: Clock = Box::new(|| chrono::Local::now().fixed_offset());
    let parts = Parts {
        clock,
        open_position: opener(),
        position_source: None,
        // The camera and the file chooser are the device's own; nothing is listed.
        pictures: PictureSource {
            camera: None,
            files: Box::new(|| Ok(Vec::new())),
        },
        device,
        news,
    };
    let done = start::run(&window, &folders, opening, parts);
    // The process may live on and start another activity: nothing of this one may answer for it.
    let mut listeners = LISTENERS.lock().unwrap_or_else(PoisonError::into_inner);
    listeners.news = None;
    listeners.fixes = None;
    listeners.wake = None;
    done
}

/// Where Android starts the app.
#[unsafe(no_mangle)]
extern "Rust" fn android_main(app: AndroidApp) {
    // There is nowhere to print to: a book that cannot be opened is said on the screen by `start::run`.
    drop(run(&app));
}
