//! Connects the window to the app. Only this file knows Slint.

use crate::app::book::{BookSort, DueState};
use crate::app::day::StopProgress;
use crate::app::door::ChartKind;
use crate::app::find::{PanelKey, PanelLook};
use crate::app::overlay::{Answer, ConfirmTarget, Field, FigureView, PadKey, Verdict};
use crate::app::page::Page;
use crate::app::photos::{Picture, Tool};
use crate::app::plan_view::{self, PlanDrawing, PlanKind, Shading, SpotKind};
use crate::app::section::{EdgeKind, LayerKind, SectionDrawing};
use crate::app::setup::{SetupItem, SetupRow};
use crate::app::shell::{App, NoticeKind, Screen};
use crate::app::site::SiteField;
use crate::app::stop::Quantity;
use crate::domain::judge::Decision;
use crate::domain::record::{Language, ShapeKind, Station, StopId, Units};
use crate::ui;
use slint::{ComponentHandle, Global, Model, ModelNotify, ModelRc, ModelTracker, SharedString, VecModel};
use std::cell::{Cell, RefCell};
use std::rc::Rc;

/// The app as the window's callbacks share it.
pub type SharedApp = Rc<RefCell<App>>;

/// Opens the demo book into a new app; given by whoever knows where the demo is.
pub type OpenDemo = Box<dyn Fn(&mut App) -> Result<(), String>>;

/// Connects a window to an app: draws the first state, then keeps both in step.
pub fn attach(window: &ui::AppWindow, app: &SharedApp, open_demo: OpenDemo) {
    let book = Rc::new(BookModel {
        app: app.clone(),
        notify: ModelNotify::default(),
        stamp: Cell::new((0, 0)),
    });
    ui::BookApi::get(window).set_rows(ModelRc::from(book.clone()));
    let photos = Rc::new(PhotoModel {
        app: app.clone(),
        notify: ModelNotify::default(),
        stamp: Cell::default(),
    });
    ui::PhotosApi::get(window).set_rows(ModelRc::from(photos.clone()));
    let binder = Rc::new(Binder {
        window: window.as_weak(),
        app: app.clone(),
        book,
        photos,
    });
    connect_shell(window, &binder, open_demo);
    connect_lists(window, &binder);
    connect_site(window, &binder);
    connect_stop(window, &binder);
    connect_tank(window, &binder);
    connect_photos(window, &binder);
    connect_leave(window, &binder);
    connect_truck(window, &binder);
    connect_setup(window, &binder);
    connect_overlays(window, &binder);
    binder.render();
}

struct Binder {
    window: slint::Weak<ui::AppWindow>,
    app: SharedApp,
    book: Rc<BookModel>,
    photos: Rc<PhotoModel>,
}

impl Binder {
    /// Does something to the app and shows what came of it.
    fn act(&self, act: impl FnOnce(&mut App)) {
        // A callback within a callback would find the app in use; the outer one draws what both did.
        if let Ok(mut app) = self.app.try_borrow_mut() {
            act(&mut app);
            app.keep_device_in_step();
        } else {
            return;
        }
        self.render();
    }

    fn render(&self) {
        let Some(window) = self.window.upgrade() else { return };
        let Ok(app) = self.app.try_borrow() else { return };
        render(&window, &app);
        self.book.refresh(&app);
        self.photos.refresh(&app);
    }
}

/// Connects callbacks: `on!(binder, api, on_name(arguments) => |app| …)`.
macro_rules! on {
    ($binder:expr, $api:expr, $($method:ident($($arg:ident),*) => |$app:ident| $body:expr;)+) => {
        $({
            let binder = $binder.clone();
            $api.$method(move |$($arg),*| binder.act(|$app| $body));
        })+
    };
}

fn connect_shell(window: &ui::AppWindow, binder: &Rc<Binder>, open_demo: OpenDemo) {
    let api = ui::AppApi::get(window);
    on!(binder, api,
        on_go(screen) => |app| app.go(screen_of(screen));
        on_back() => |app| app.back();
        on_dismiss_notice() => |app| app.dismiss_notice();
        on_news() => |app| { app.poll(); };
    );
    let api = ui::FirstRunApi::get(window);
    on!(binder, api,
        on_choose_language(language) => |app| app.choose_language(language_of(language));
        on_start_empty() => |app| app.start_empty();
        on_open_demo() => |app| app.start_demo(&open_demo);
        on_open_copy() => |app| app.tap_open_cloud_copy();
    );
    let api = ui::StopApi::get(window);
    on!(binder, api,
        on_undo() => |app| app.undo();
        on_photos() => |app| app.tap_photos();
    );
}

fn connect_lists(window: &ui::AppWindow, binder: &Rc<Binder>) {
    let api = ui::DayApi::get(window);
    on!(binder, api,
        on_tap_stop(index) => |app| app.tap_stop(place(index));
        on_tap_start() => |app| app.tap_start();
        on_tap_truck() => |app| app.tap_truck();
        on_tap_file() => |app| app.tap_day_file();
    );
    let api = ui::BookApi::get(window);
    on!(binder, api,
        on_edit_search(text) => |app| app.edit_search(&text);
        on_tap_sort(sort) => |app| app.tap_sort(match sort {
            ui::BookSort::Name => BookSort::Name,
            ui::BookSort::Nearest => BookSort::Nearest,
            ui::BookSort::SoonestDue => BookSort::SoonestDue,
        });
        on_tap_row(index) => |app| app.tap_book_row(place(index));
        on_tap_new() => |app| app.tap_new_site();
    );
}

fn connect_site(window: &ui::AppWindow, binder: &Rc<Binder>) {
    let api = ui::SiteApi::get(window);
    on!(binder, api,
        on_tap_wipe() => |app| app.tap_wipe_site();
        on_tap_map() => |app| app.tap_map();
        on_tap_call() => |app| app.tap_dial();
        on_tap_start() => |app| app.tap_start_here();
        on_tap_edit() => |app| app.tap_edit_site();
        on_tap_tank(index) => |app| app.tap_site_tank(place(index));
        on_tap_visit(index) => |app| app.tap_site_visit(place(index));
        on_tap_add_tank() => |app| app.tap_site_add_tank();
    );
    let api = ui::SiteEditApi::get(window);
    on!(binder, api,
        on_edit(field, text) => |app| app.edit_site_field(site_field_of(field), &text);
        on_choose_language(language) => |app| app.choose_site_language(language_of(language));
        on_nudge_residents(steps) => |app| app.nudge_form_residents(steps);
        on_pad_residents() => |app| app.pad_form_residents();
        on_tap_grinder(answer) => |app| app.tap_form_grinder(answer_of(answer));
        on_tap_rule_set() => |app| app.tap_form_rule_set();
        on_keep() => |app| app.keep_site_form();
        on_cancel() => |app| app.cancel_site_form();
    );
}

fn connect_stop(window: &ui::AppWindow, binder: &Rc<Binder>) {
    let api = ui::FindApi::get(window);
    on!(binder, api,
        on_tap_found(answer) => |app| app.tap_found(answer_of(answer));
        on_tap_note() => |app| app.tap_find_note();
        on_tap_latitude() => |app| app.tap_latitude();
        on_tap_longitude() => |app| app.tap_longitude();
        on_tap_notes() => |app| app.tap_find_notes();
        on_tap_sewer_depth() => |app| app.tap_sewer_depth();
        on_tap_photo() => |app| app.tap_earlier_photo();
        on_tap_north() => |app| app.tap_north();
        on_tap_key(index) => |app| app.tap_find_key(place(index));
        on_nudge(right, ahead) => |app| app.nudge_marker(right, ahead);
        on_zoom(by) => |app| app.plan_zoom(by);
        on_fit() => |app| app.plan_fit();
        on_resized(width, height) => |app| app.plan_resized(width.into(), height.into());
        on_pressed(x, y) => |app| app.plan_pressed(x.into(), y.into());
        on_dragged(x, y) => |app| app.plan_dragged(x.into(), y.into());
        on_released() => |app| app.plan_released();
    );
    let api = ui::DigApi::get(window);
    on!(binder, api,
        on_resized(width, height) => |app| app.dig_resized(width.into(), height.into());
        on_pressed(x, y) => |app| app.dig_pressed(x.into(), y.into());
        on_dragged(x, y) => |app| app.dig_dragged(x.into(), y.into());
        on_released() => |app| app.dig_released();
        on_nudge(steps) => |app| app.nudge_cover(steps);
        on_tap_figure() => |app| app.tap_cover();
        on_tap_previous() => |app| app.step_lid(-1);
        on_tap_next() => |app| app.step_lid(1);
        on_tap_add_lid() => |app| app.add_lid();
        on_tap_material() => |app| app.tap_material();
        on_tap_cracked() => |app| app.tap_cracked();
        on_tap_secured() => |app| app.tap_secured();
        on_cautions_read() => |app| app.acknowledge_cautions();
    );
    let api = ui::ReadApi::get(window);
    on!(binder, api,
        on_resized(width, height) => |app| app.read_resized(width.into(), height.into());
        on_pressed(x, y) => |app| app.read_pressed(x.into(), y.into());
        on_dragged(x, y) => |app| app.read_dragged(x.into(), y.into());
        on_released() => |app| app.read_released();
        on_tap_quantity(quantity) => |app| app.tap_quantity(quantity_of(quantity));
        on_nudge(steps) => |app| app.nudge_reading(steps);
        on_tap_figure() => |app| app.tap_reading();
        on_tap_probe() => |app| app.tap_probe();
        on_tap_previous_compartment() => |app| app.step_compartment(-1);
        on_tap_next_compartment() => |app| app.step_compartment(1);
        on_tap_tank() => |app| app.go(Screen::Tank);
    );
    let api = ui::PumpApi::get(window);
    on!(binder, api,
        on_tap_previous_tank() => |app| app.step_tank(-1);
        on_tap_next_tank() => |app| app.step_tank(1);
        on_tap_pumped() => |app| app.turn_pumped();
        on_nudge_out(steps) => |app| app.nudge_out(steps);
        on_pad_out() => |app| app.pad_out();
        on_nudge_heel(steps) => |app| app.nudge_heel(steps);
        on_pad_heel() => |app| app.pad_heel();
        on_tap_rinsed() => |app| app.turn_rinsed();
        on_tap_truck() => |app| app.tap_pump_record();
        on_tap_flush() => |app| app.tap_page(Page::Flush);
        on_tap_signs() => |app| app.tap_page(Page::Looks);
        on_tap_gauge() => |app| app.tap_page(Page::Gauge);
        on_tap_work() => |app| app.tap_page(Page::Work);
    );
    let api = ui::PageApi::get(window);
    on!(binder, api,
        on_tap_row(row) => |app| app.tap_page_row(place(row));
        on_tap_choice(row, choice) => |app| app.tap_page_choice(place(row), place(choice));
        on_tap_key(key) => |app| app.tap_page_key(place(key));
        on_tap_spot(spot) => |app| app.tap_page_spot(place(spot));
        on_resized(width, height) => |app| app.page_resized(width.into(), height.into());
    );
}

fn connect_photos(window: &ui::AppWindow, binder: &Rc<Binder>) {
    let api = ui::PhotosApi::get(window);
    on!(binder, api,
        on_tap_row(row) => |app| app.tap_photo(place(row));
        on_tap_camera() => |app| app.tap_camera();
        on_tap_file() => |app| app.tap_photo_file();
    );
    let api = ui::PhotoApi::get(window);
    on!(binder, api,
        on_resized(width, height) => |app| app.photo_resized(width.into(), height.into());
        on_pressed(x, y) => |app| app.photo_pressed(x.into(), y.into());
        on_dragged(x, y) => |app| app.photo_dragged(x.into(), y.into());
        on_released() => |app| app.photo_released();
        on_tap_tool(tool) => |app| app.tap_tool(match tool {
            ui::PhotoTool::None => Tool::None,
            ui::PhotoTool::Arrow => Tool::Arrow,
            ui::PhotoTool::Circle => Tool::Circle,
            ui::PhotoTool::Known => Tool::Known,
            ui::PhotoTool::Measure => Tool::Measure,
        });
        on_tap_marks_off() => |app| app.tap_marks_off();
        on_tap_previous() => |app| app.step_photo(-1);
        on_tap_next() => |app| app.step_photo(1);
        on_tap_part() => |app| app.tap_photo_part();
        on_tap_note() => |app| app.tap_photo_note();
        on_tap_remove() => |app| app.tap_photo_remove();
    );
}

fn connect_tank(window: &ui::AppWindow, binder: &Rc<Binder>) {
    let api = ui::TankApi::get(window);
    on!(binder, api,
        on_tap_previous_tank() => |app| app.step_tank(-1);
        on_tap_next_tank() => |app| app.step_tank(1);
        on_tap_add_tank() => |app| app.tap_add_tank();
        on_tap_compartment_count(count) => |app| app.tap_compartment_count(place(count));
        on_tap_compartment(index) => |app| app.tap_compartment(place(index));
        on_tap_shape(shape) => |app| app.tap_shape(shape_of(shape));
        on_tap_dimension(index) => |app| app.tap_dimension(place(index));
        on_nudge(steps) => |app| app.nudge_dimension(steps);
        on_tap_figure() => |app| app.tap_dimension_figure();
        on_tap_dip_depth(row) => |app| app.tap_dip_depth(place(row));
        on_tap_dip_volume(row) => |app| app.tap_dip_volume(place(row));
        on_tap_add_dip_row() => |app| app.tap_add_dip_row();
        on_tap_remove_dip_row(row) => |app| app.tap_remove_dip_row(place(row));
        on_tap_fact(index) => |app| app.tap_tank_fact(place(index));
        on_resized(width, height) => |app| app.tank_resized(width.into(), height.into());
    );
}

fn connect_leave(window: &ui::AppWindow, binder: &Rc<Binder>) {
    let api = ui::LeaveApi::get(window);
    on!(binder, api,
        on_tap_secured(answer) => |app| app.tap_closed(answer_of(answer));
        on_tap_note() => |app| app.tap_found_note();
        on_nudge_people(steps) => |app| app.nudge_people(steps);
        on_pad_people() => |app| app.pad_people();
        on_show_customer() => |app| app.show_customer();
        on_what_if() => |app| app.tap_what_if();
        on_finish() => |app| app.tap_finish();
    );
    let api = ui::DoorApi::get(window);
    on!(binder, api,
        on_chart_resized(width, height) => |app| app.chart_resized(width.into(), height.into());
        on_tank_resized(width, height) => |app| app.door_tank_resized(width.into(), height.into());
        on_sign() => |app| app.tap_sign();
        on_slip() => |app| app.give_slip();
        on_done() => |app| app.back();
        on_pad_resized(width, height) => |app| app.pad_resized(width.into(), height.into());
        on_pad_pressed(x, y) => |app| app.pad_pressed(x.into(), y.into());
        on_pad_dragged(x, y) => |app| app.pad_dragged(x.into(), y.into());
        on_pad_released() => |app| { app.poll(); };
        on_pad_clear() => |app| app.pad_clear();
        on_pad_cancel() => |app| app.sign_cancel();
        on_pad_accept() => |app| app.sign_accept();
        on_edit_signer(text) => |app| app.edit_signer(&text);
    );
    let api = ui::WhatIfApi::get(window);
    on!(binder, api,
        on_nudge_residents(steps) => |app| app.nudge_trial_residents(steps);
        on_pad_residents() => |app| app.pad_trial_residents();
        on_nudge_tank(steps) => |app| app.nudge_trial_tank(steps);
        on_pad_tank() => |app| app.pad_trial_tank();
        on_tap_grinder(answer) => |app| app.tap_trial_grinder(answer_of(answer));
        on_reset() => |app| app.reset_trial();
    );
}

fn connect_truck(window: &ui::AppWindow, binder: &Rc<Binder>) {
    let api = ui::TruckApi::get(window);
    on!(binder, api,
        on_tap_tank(index) => |app| app.tap_truck_tank(place(index));
        on_tap_entry(index) => |app| app.tap_truck_entry(place(index));
        on_tap_dispose() => |app| app.tap_dispose();
        on_tap_correct() => |app| app.tap_correct();
        on_tap_close() => |app| app.tap_close_day();
    );
    let api = ui::RecordApi::get(window);
    on!(binder, api,
        on_tap_row(index) => |app| app.tap_form_row(place(index));
        on_tap_key(index) => |app| app.tap_form_key(place(index));
    );
}

fn connect_setup(window: &ui::AppWindow, binder: &Rc<Binder>) {
    let api = ui::SetupApi::get(window);
    on!(binder, api,
        on_choose_language(language) => |app| app.choose_language(language_of(language));
        on_choose_units(units) => |app| app.choose_units(match units {
            ui::UnitSystem::Us => Units::UsCustomary,
            ui::UnitSystem::Metric => Units::Metric,
        });
        on_choose_night(night) => |app| app.choose_night(night);
        on_tap_safe_copy() => |app| app.tap_safe_copy();
        on_tap_wipe() => |app| app.tap_wipe_all();
        on_choose_cloud(on) => |app| app.choose_cloud(on);
        on_tap_keep_camera_data() => |app| app.tap_keep_camera_data();
        on_tap_rule_set() => |app| app.tap_rule_set();
        on_tap_prices() => |app| app.tap_page(Page::Prices);
        on_tap_item(item) => |app| app.tap_setup_item(setup_item_of(item));
        on_tap_about() => |app| app.tap_about();
    );
}

fn connect_overlays(window: &ui::AppWindow, binder: &Rc<Binder>) {
    let api = ui::PadApi::get(window);
    on!(binder, api,
        on_tap_key(key) => |app| app.pad_key(pad_key_of(key));
        on_cancel() => |app| app.cancel_overlay();
        on_keep() => |app| app.pad_keep();
    );
    let api = ui::SheetApi::get(window);
    on!(binder, api,
        on_edit(text) => |app| app.sheet_edit(&text);
        on_cancel() => |app| app.cancel_overlay();
        on_keep() => |app| app.sheet_keep();
    );
    let api = ui::PickerApi::get(window);
    on!(binder, api,
        on_choose(index) => |app| app.picker_choose(place(index));
        on_cancel() => |app| app.cancel_overlay();
    );
    let api = ui::ConfirmApi::get(window);
    on!(binder, api,
        on_yes() => |app| app.confirm_answer(true);
        on_no() => |app| app.confirm_answer(false);
    );
}

/// Shows the app's state in the window.
pub fn render(window: &ui::AppWindow, app: &App) {
    let setup = app.session().setup();
    let language = match setup.language {
        Language::English => "en",
        Language::Spanish => "es",
    };
    // English is the language of the labels themselves, so choosing it can only fail to find a file, which is as it should be.
    drop(slint::select_bundled_translation(language));
    let api = ui::AppApi::get(window);
    api.set_night(setup.night);
    api.set_text_scale(pixels(app.text_scale()));
    api.set_screen(screen_to(app.screen()));
    let notice = app.notice();
    api.set_notice_shown(notice.is_some());
    if let Some(notice) = notice {
        api.set_notice_text(notice.text.what.into());
        api.set_notice_advice(notice.text.advice.into());
        api.set_notice_kind(match notice.kind {
            NoticeKind::Info => ui::NoticeKind::Info,
            NoticeKind::Warning => ui::NoticeKind::Warning,
            NoticeKind::Failure => ui::NoticeKind::Failure,
        });
    }
    match app.screen() {
        Screen::FirstRun => {
            let api = ui::FirstRunApi::get(window);
            api.set_language(language_to(setup.language));
            api.set_copy_text(app.cloud_copy_found().unwrap_or_default().into());
        }
        Screen::Day => render_day(window, app),
        Screen::Book => {
            let api = ui::BookApi::get(window);
            api.set_search(app.book().search_text().into());
            api.set_sort(match app.book().sorted_by() {
                BookSort::Name => ui::BookSort::Name,
                BookSort::Nearest => ui::BookSort::Nearest,
                BookSort::SoonestDue => ui::BookSort::SoonestDue,
            });
            api.set_count_text(app.book_count_text().into());
            api.set_empty_text(app.book_empty_text().into());
        }
        Screen::Site => render_site(window, app),
        Screen::SiteEdit => render_site_edit(window, app),
        Screen::At(station) => {
            render_stop(window, app);
            match station {
                Station::Find => render_find(window, app),
                Station::Dig => render_dig(window, app),
                Station::Read => render_read(window, app),
                Station::Pump => render_pump(window, app),
                Station::Leave => render_leave(window, app),
            }
        }
        Screen::Tank => {
            render_stop(window, app);
            render_tank(window, app);
        }
        Screen::Page(_) => {
            render_stop(window, app);
            render_page(window, app);
        }
        Screen::Photos => {
            render_stop(window, app);
            render_photos(window, app);
        }
        Screen::Photo => {
            render_stop(window, app);
            render_photo(window, app);
        }
        Screen::Door => render_door(window, app),
        Screen::WhatIf => render_what_if(window, app),
        Screen::Truck => render_truck(window, app),
        Screen::Load | Screen::Disposal | Screen::CloseDay => render_record(window, app),
        Screen::Setup => render_setup(window, app),
        Screen::About => render_about(window, app),
    }
    render_overlays(window, app);
}

fn render_day(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::DayApi::get(window), app.day_view());
    api.set_date(view.date.into());
    api.set_counts(view.counts.into());
    api.set_load_text(view.load_text.into());
    api.set_room_text(view.room_text.into());
    api.set_load_ratio(share(view.load_ratio));
    api.set_load_over(view.load_over);
    api.set_empty_title(app.session().words().t("No stops yet today").into());
    api.set_empty_text(
        app.session()
            .words()
            .t("Start a stop where you stand, or open a site from the book.")
            .into(),
    );
    let rows = view.stops.into_iter().map(|stop| ui::StopRow {
        title: stop.title.into(),
        detail: stop.detail.into(),
        right: stop.right.into(),
        warning: stop.warning.into(),
        state: match stop.progress {
            StopProgress::Waiting => ui::StopState::Waiting,
            StopProgress::Open => ui::StopState::Open,
            StopProgress::Done => ui::StopState::Done,
        },
        quarters: stop.quarters,
    });
    sync(&api.get_stops(), rows.collect(), |model| api.set_stops(model));
}

fn render_truck(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::TruckApi::get(window), app.truck_view());
    api.set_title(view.title.into());
    api.set_detail(view.detail.into());
    api.set_balance(view.balance.into());
    let tanks = view.tanks.into_iter().map(|tank| ui::TruckTankRow {
        name: tank.name.into(),
        load: tank.load.into(),
        room: tank.room.into(),
        ratio: share(tank.ratio),
        over: tank.over,
        chosen: tank.chosen,
    });
    sync(&api.get_tanks(), tanks.collect(), |model| api.set_tanks(model));
    sync(&api.get_notes(), texts(view.notes), |model| api.set_notes(model));
    let entries = view.entries.into_iter().map(|entry| ui::LedgerRow {
        title: entry.title.into(),
        detail: entry.detail.into(),
        right: entry.right.into(),
        message: entry.message.into(),
        opens: entry.opens,
    });
    sync(&api.get_entries(), entries.collect(), |model| api.set_entries(model));
}

fn render_record(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::RecordApi::get(window), app.form_view());
    api.set_title(view.title.into());
    api.set_detail(view.detail.into());
    sync(&api.get_cautions(), texts(view.cautions), |model| {
        api.set_cautions(model);
    });
    sync(&api.get_lead(), texts(view.lead), |model| api.set_lead(model));
    let rows = view.rows.into_iter().map(|row| ui::RecordRow {
        title: row.title.into(),
        detail: row.detail.into(),
        right: row.right.into(),
        verdict: verdict_to(row.verdict),
        message: row.message.into(),
        opens: row.opens,
        heading: row.heading,
    });
    sync(&api.get_rows(), rows.collect(), |model| api.set_rows(model));
    let [main, second, third] = view.keys;
    api.set_main_key(main.into());
    api.set_second_key(second.into());
    api.set_third_key(third.into());
    let pad = app.record_sign_view();
    api.set_signing(pad.shown);
    if pad.shown {
        let api = ui::DoorApi::get(window);
        api.set_sign_heading(pad.heading.into());
        api.set_signer_label(pad.name_label.into());
        api.set_signer(pad.name.into());
        api.set_strokes(pad.strokes.into());
        api.set_clear_text(pad.clear.into());
        api.set_cancel_text(pad.cancel.into());
        api.set_accept_text(pad.accept.into());
        api.set_can_accept(pad.can_accept);
    }
}

fn render_site(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::SiteApi::get(window), app.site_view());
    api.set_name(view.name.into());
    api.set_address(view.address.into());
    api.set_customer(view.customer.into());
    api.set_phone(view.phone.into());
    api.set_can_map(view.can_map);
    api.set_can_call(view.can_call);
    api.set_due_text(view.due_text.into());
    api.set_due_detail(view.due_detail.into());
    api.set_due_state(due_to(view.due.unwrap_or(DueState::None)));
    sync(&api.get_tanks(), lines(view.tanks), |model| api.set_tanks(model));
    sync(&api.get_history(), lines(view.history), |model| api.set_history(model));
    sync(&api.get_notes(), texts(view.notes), |model| api.set_notes(model));
}

fn render_site_edit(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::SiteEditApi::get(window), app.site_form_view());
    api.set_is_new(view.is_new);
    api.set_name(field_to(view.name));
    api.set_address(field_to(view.address));
    api.set_note(field_to(view.note));
    api.set_town(field_to(view.town));
    api.set_customer(field_to(view.customer));
    api.set_phone(field_to(view.phone));
    api.set_permit_date(field_to(view.permit));
    api.set_latitude(field_to(view.latitude));
    api.set_longitude(field_to(view.longitude));
    api.set_customer_language(language_to(view.language));
    api.set_residents(figure_to(view.residents));
    api.set_grinder(answer_to(view.grinder));
    api.set_rule_set(view.rule_set.into());
    api.set_can_keep(view.can_keep);
    api.set_message(view.message.into());
}

fn render_stop(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::StopApi::get(window), app.stop_view());
    api.set_title(view.title.into());
    api.set_detail(view.detail.into());
    api.set_kept(view.kept.into());
    api.set_is_kept(view.is_kept);
    let [find, dig, read, pump, leave] = view.quarters;
    api.set_find_quarters(find);
    api.set_dig_quarters(dig);
    api.set_read_quarters(read);
    api.set_pump_quarters(pump);
    api.set_leave_quarters(leave);
    api.set_can_undo(view.can_undo);
    api.set_undo_text(view.undo_text.into());
    api.set_photo_count(small(app.photo_count()));
}

fn render_find(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::FindApi::get(window), app.find_view());
    sync(&api.get_known(), texts(view.known), |model| api.set_known(model));
    api.set_note(view.note.into());
    api.set_latitude(field_to(view.latitude));
    api.set_longitude(field_to(view.longitude));
    api.set_found(answer_to(view.found));
    api.set_notes(view.notes);
    api.set_sewer_text(view.sewer_text.into());
    api.set_north_text(view.north_text.into());
    sync(&api.get_cautions(), texts(view.cautions), |model| {
        api.set_cautions(model);
    });
    api.set_title(view.title.into());
    api.set_detail(view.detail.into());
    api.set_large(view.large);
    let (_, photo) = app.find_photo().unwrap_or_default();
    api.set_photo_day(view.photo_day.into());
    api.set_photo_state(state_to(&photo));
    api.set_photo(picture_to(&photo));
    api.set_can_nudge(view.can_nudge);
    let keys = |keys: Vec<PanelKey>| keys.into_iter().map(panel_key_to).collect::<Vec<_>>();
    sync(&api.get_upper(), keys(view.upper), |model| api.set_upper(model));
    sync(&api.get_lower(), keys(view.lower), |model| api.set_lower(model));
    api.set_accuracy(view.accuracy.into());
    api.set_distance(view.distance.into());
    let shape = [(0.0, -12.0), (9.0, 10.0), (0.0, 5.0), (-9.0, 10.0)];
    let arrow = view
        .arrow_deg
        .map(|turned| plan_view::arrow(14.0, 14.0, turned, &shape));
    api.set_arrow(arrow.unwrap_or_default().into());
    render_plan(&api, view.drawing);
}

fn render_plan(api: &ui::FindApi<'_>, drawing: PlanDrawing) {
    let layers = drawing.layers.into_iter().map(|layer| ui::PlanLayer {
        commands: layer.commands.into(),
        kind: plan_kind_to(layer.kind),
    });
    sync(&api.get_layers(), layers.collect(), |model| api.set_layers(model));
    let spots = drawing.spots.into_iter().map(|spot| ui::PlanSpot {
        kind: match spot.kind {
            SpotKind::Point => ui::SpotKind::Point,
            SpotKind::Sewer => ui::SpotKind::Sewer,
            SpotKind::Lid => ui::SpotKind::Lid,
            SpotKind::Best => ui::SpotKind::Best,
            SpotKind::Miss => ui::SpotKind::Miss,
            SpotKind::Hit => ui::SpotKind::Hit,
            SpotKind::Other => ui::SpotKind::Other,
            SpotKind::Choice => ui::SpotKind::Choice,
        },
        x: pixels(spot.x),
        y: pixels(spot.y),
        text: spot.text.into(),
        title: spot.title.into(),
        chosen: spot.chosen,
    });
    sync(&api.get_spots(), spots.collect(), |model| api.set_spots(model));
    let labels = drawing.labels.into_iter().map(|label| ui::PlanLabel {
        x: pixels(label.x),
        y: pixels(label.y),
        text: label.text.into(),
    });
    sync(&api.get_labels(), labels.collect(), |model| api.set_labels(model));
    SHADING.with_borrow_mut(|(made_of, image)| {
        // The same picture again would be drawn again: it is made anew only when a pixel differs.
        if *made_of != drawing.shading {
            *image = shading_image(&drawing.shading);
            *made_of = drawing.shading;
        }
        api.set_shading(image.clone());
    });
}

thread_local! {
    /// The shading that shows and what it was made of.
    static SHADING: RefCell<(Shading, slint::Image)> = RefCell::default();
}

fn shading_image(shading: &Shading) -> slint::Image {
    if shading.alpha.is_empty() {
        return slint::Image::default();
    }
    let mut buffer = slint::SharedPixelBuffer::<slint::Rgba8Pixel>::new(shading.width, shading.height);
    for (pixel, alpha) in buffer.make_mut_slice().iter_mut().zip(&shading.alpha) {
        // The colour is the theme's; only how strong it is comes from here.
        *pixel = slint::Rgba8Pixel {
            r: 255,
            g: 255,
            b: 255,
            a: *alpha,
        };
    }
    slint::Image::from_rgba8(buffer)
}

fn panel_key_to(key: PanelKey) -> ui::PanelKey {
    ui::PanelKey {
        text: key.text.into(),
        detail: key.detail.into(),
        look: match key.look {
            PanelLook::Plain => ui::PanelLook::Plain,
            PanelLook::Action => ui::PanelLook::Action,
            PanelLook::Chosen => ui::PanelLook::Chosen,
        },
    }
}

const fn plan_kind_to(kind: PlanKind) -> ui::PlanKind {
    match kind {
        PlanKind::House => ui::PlanKind::House,
        PlanKind::Dashed => ui::PlanKind::Dashed,
        PlanKind::Pipe => ui::PlanKind::Pipe,
        PlanKind::Field => ui::PlanKind::Field,
        PlanKind::Ground => ui::PlanKind::Ground,
        PlanKind::Blocked => ui::PlanKind::Blocked,
        PlanKind::Tape => ui::PlanKind::Tape,
        PlanKind::Doubt => ui::PlanKind::Doubt,
        PlanKind::Hose => ui::PlanKind::Hose,
        PlanKind::Way => ui::PlanKind::Way,
        PlanKind::Here => ui::PlanKind::Here,
        PlanKind::HereError => ui::PlanKind::HereError,
        PlanKind::Scale => ui::PlanKind::Scale,
        PlanKind::Aim => ui::PlanKind::Aim,
    }
}

fn render_dig(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::DigApi::get(window), app.dig_view());
    api.set_lid_name(view.lid_name.into());
    api.set_lid_count(view.lid_count.into());
    api.set_can_previous(view.can_previous);
    api.set_can_next(view.can_next);
    let value = format!("{} {}", view.cover.value, view.cover.unit);
    api.set_cover(figure_to(view.cover));
    api.set_plus_text(view.nudges.0.into());
    api.set_minus_text(view.nudges.1.into());
    if let Some(drawing) = view.drawing {
        let mut ticks = ticks_of(&drawing, app);
        if !view.stack_text.is_empty() {
            ticks.push(ui::SectionTick {
                x: 12.0,
                y: 18.0,
                text: view.stack_text.into(),
                kind: ui::TickKind::Caption,
            });
        }
        sync(&api.get_layers(), layers_of(&drawing), |model| api.set_layers(model));
        sync(&api.get_ticks(), ticks, |model| api.set_ticks(model));
        sync(
            &api.get_handles(),
            handles_of(&drawing, &|_| value.clone(), app),
            |model| api.set_handles(model),
        );
    }
    api.set_advice_title(view.advice_title.into());
    api.set_advice_text(view.advice_text.into());
    api.set_material_text(view.material.into());
    api.set_cracked(answer_to(view.cracked));
    api.set_secured(answer_to(view.secured));
    sync(&api.get_cautions(), texts(view.cautions), |model| {
        api.set_cautions(model);
    });
}

fn render_read(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::ReadApi::get(window), app.read_view());
    let [level, scum, sludge, device] = view.values;
    if let Some(drawing) = &view.drawing {
        let value = |kind: EdgeKind| match kind {
            EdgeKind::Level => level.clone(),
            EdgeKind::ScumBottom => scum.clone(),
            EdgeKind::SludgeTop => sludge.clone(),
            EdgeKind::DeviceBottom => device.clone(),
            EdgeKind::LidTop => String::new(),
        };
        sync(&api.get_layers(), layers_of(drawing), |model| api.set_layers(model));
        sync(&api.get_ticks(), ticks_of(drawing, app), |model| api.set_ticks(model));
        sync(&api.get_handles(), handles_of(drawing, &value, app), |model| {
            api.set_handles(model);
        });
    }
    api.set_view_text(view.view_text.into());
    api.set_selected(match view.quantity {
        Quantity::Level => ui::Quantity::Level,
        Quantity::Scum => ui::Quantity::Scum,
        Quantity::Sludge => ui::Quantity::Sludge,
        Quantity::Device => ui::Quantity::Device,
    });
    api.set_figure(figure_to(view.figure));
    api.set_plus_text(view.nudges.0.into());
    api.set_minus_text(view.nudges.1.into());
    api.set_level_value(level.into());
    api.set_scum_value(scum.into());
    api.set_sludge_value(sludge.into());
    api.set_device_value(device.into());
    api.set_many_compartments(view.many);
    api.set_compartment_text(view.compartment_text.into());
    api.set_can_probe(view.can_probe);
    api.set_probe_count(view.probe_count.into());
    api.set_probe_spread(view.probe_spread.into());
    api.set_verdict(match view.decision {
        Some(Decision::Pump) => ui::PumpVerdict::Pump,
        Some(Decision::NotYet) => ui::PumpVerdict::NotYet,
        Some(Decision::NotMeasured) | None => ui::PumpVerdict::NotMeasured,
    });
    api.set_verdict_title(view.verdict_title.into());
    api.set_verdict_line(view.verdict_line.into());
    api.set_has_share(view.share.is_some());
    api.set_share(share(view.share.unwrap_or(0.0)));
    api.set_has_limit(view.limit.is_some());
    api.set_limit(share(view.limit.unwrap_or(0.0)));
    api.set_over(view.decision == Some(Decision::Pump));
    api.set_limit_text(view.limit_text.into());
    api.set_flag_text(view.flag_text.into());
}

fn render_pump(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::PumpApi::get(window), app.pump_view());
    api.set_many_tanks(view.many_tanks);
    api.set_tank_text(view.tank_text.into());
    api.set_pumped(answer_to(view.pumped));
    api.set_out(figure_to(view.out));
    api.set_out_plus(view.out_nudges.0.into());
    api.set_out_minus(view.out_nudges.1.into());
    api.set_heel(figure_to(view.heel));
    api.set_heel_plus(view.heel_nudges.0.into());
    api.set_heel_minus(view.heel_nudges.1.into());
    api.set_rinsed(answer_to(view.rinsed));
    api.set_truck_text(view.truck_text.into());
    api.set_truck_ratio(share(view.truck_ratio));
    api.set_truck_over(view.truck_over);
    let [flush, signs, gauge, work] = view.page_texts;
    api.set_flush_text(flush.into());
    api.set_signs_text(signs.into());
    api.set_gauge_text(gauge.into());
    api.set_work_text(work.into());
    api.set_ticking(view.ticking);
}

fn render_page(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::PageApi::get(window), app.page_view());
    api.set_title(view.title.into());
    api.set_detail(view.detail.into());
    sync(&api.get_cautions(), texts(view.cautions), |model| {
        api.set_cautions(model);
    });
    sync(&api.get_lead(), texts(view.lead), |model| api.set_lead(model));
    api.set_figure(view.figure.into());
    api.set_figure_text(view.figure_text.into());
    api.set_ticking(view.ticking);
    api.set_has_drawing(view.drawing.is_some());
    if let Some(drawing) = &view.drawing {
        sync(&api.get_layers(), layers_of(drawing), |model| api.set_layers(model));
    }
    let spots = view.spots.into_iter().map(|spot| ui::PartSpot {
        x: pixels(spot.x),
        y: pixels(spot.y),
        name: spot.name.into(),
        state: spot.state.into(),
        fault: spot.fault,
    });
    sync(&api.get_spots(), spots.collect(), |model| api.set_spots(model));
    let rows = view.rows.into_iter().map(|row| {
        let chosen = row.choices.iter().position(|choice| choice.chosen);
        let caption = |at: usize| -> SharedString {
            row.choices
                .get(at)
                .map(|choice| choice.text.as_str())
                .unwrap_or_default()
                .into()
        };
        ui::PageRow {
            first: caption(0),
            second: caption(1),
            third: caption(2),
            fourth: caption(3),
            chosen: chosen.map_or(-1, small),
            title: row.title.into(),
            detail: row.detail.into(),
            right: row.right.into(),
            opens: row.opens,
            heading: row.heading,
        }
    });
    sync(&api.get_rows(), rows.collect(), |model| api.set_rows(model));
    sync(&api.get_result(), texts(view.result), |model| api.set_result(model));
    let [first, second] = view.keys;
    api.set_first_key(first.into());
    api.set_second_key(second.into());
    api.set_has_undo(view.has_undo);
}

fn render_leave(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::LeaveApi::get(window), app.leave_view());
    api.set_due_text(view.due_text.into());
    api.set_due_detail(view.due_detail.into());
    sync(&api.get_found(), texts(view.found), |model| api.set_found(model));
    sync(&api.get_missing(), texts(view.missing), |model| api.set_missing(model));
    api.set_secured(answer_to(view.closed));
    api.set_note(view.note.into());
    api.set_people(figure_to(view.people));
}

fn render_tank(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::TankApi::get(window), app.tank_view());
    api.set_tank_text(view.tank_text.into());
    api.set_many_tanks(view.many_tanks);
    api.set_compartment_text(view.compartment_text.into());
    api.set_compartment_count(small(view.compartment_count));
    api.set_compartment(small(view.compartment));
    api.set_shape(match view.shape {
        ShapeKind::Box => ui::TankShape::Box,
        ShapeKind::UprightCylinder => ui::TankShape::UprightCylinder,
        ShapeKind::LevelCylinder => ui::TankShape::LevelCylinder,
        ShapeKind::ObroundPlan => ui::TankShape::ObroundPlan,
        ShapeKind::ObroundSection => ui::TankShape::ObroundSection,
        ShapeKind::EllipseSection => ui::TankShape::EllipseSection,
        ShapeKind::DipTable => ui::TankShape::DipTable,
        ShapeKind::Nominal => ui::TankShape::Nominal,
    });
    let dimensions = view.dimensions.into_iter().map(|d| ui::DimensionRow {
        name: d.name.into(),
        value: d.value.into(),
        unit: d.unit.into(),
        verdict: verdict_to(d.verdict),
        message: d.message.into(),
    });
    sync(&api.get_dimensions(), dimensions.collect(), |model| {
        api.set_dimensions(model);
    });
    api.set_selected(small(view.selected));
    api.set_figure(figure_to(view.figure));
    api.set_plus_text(view.nudges.0.into());
    api.set_minus_text(view.nudges.1.into());
    if let Some(drawing) = &view.drawing {
        sync(&api.get_layers(), layers_of(drawing), |model| api.set_layers(model));
        sync(&api.get_ticks(), ticks_of(drawing, app), |model| api.set_ticks(model));
    }
    api.set_capacity_text(view.capacity_text.into());
    sync(&api.get_notes(), texts(view.notes), |model| api.set_notes(model));
    let rows = view.dip_rows.into_iter().map(|row| ui::DipRow {
        depth: row.depth.into(),
        volume: row.volume.into(),
        verdict: verdict_to(row.verdict),
        message: row.message.into(),
    });
    sync(&api.get_dip_rows(), rows.collect(), |model| api.set_dip_rows(model));
    let facts = view.facts.into_iter().map(|(name, value)| ui::TankFact {
        name: name.into(),
        value: value.into(),
    });
    sync(&api.get_facts(), facts.collect(), |model| api.set_facts(model));
}

fn render_photos(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::PhotosApi::get(window), app.photos_view());
    api.set_count_text(view.count_text.into());
    api.set_busy_text(view.busy_text.into());
    api.set_has_camera(view.has_camera);
}

fn render_photo(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::PhotoApi::get(window), app.photo_view());
    api.set_part(view.part.into());
    api.set_detail(view.detail.into());
    api.set_count_text(view.count_text.into());
    api.set_can_previous(view.can_previous);
    api.set_can_next(view.can_next);
    api.set_note(view.note.into());
    api.set_missing_text(view.missing_text.into());
    // A photo is large: it is handed over when it has come, not with every touch.
    let state = state_to(&view.picture);
    if api.get_shown() != view.id.as_str() || api.get_state() != state {
        api.set_picture(picture_to(&view.picture));
        api.set_shown(view.id.into());
        api.set_state(state);
    }
    let marks = view.marks.into_iter().map(|mark| ui::PhotoMark {
        commands: mark.commands.into(),
        unfinished: mark.unfinished,
    });
    sync(&api.get_marks(), marks.collect(), |model| api.set_marks(model));
    let labels = view.labels.into_iter().map(|label| ui::PhotoLabel {
        x: pixels(label.x),
        y: pixels(label.y),
        text: label.text.into(),
    });
    sync(&api.get_labels(), labels.collect(), |model| api.set_labels(model));
    api.set_tool(match view.tool {
        Tool::None => ui::PhotoTool::None,
        Tool::Arrow => ui::PhotoTool::Arrow,
        Tool::Circle => ui::PhotoTool::Circle,
        Tool::Known => ui::PhotoTool::Known,
        Tool::Measure => ui::PhotoTool::Measure,
    });
    api.set_hint(view.hint.into());
    api.set_has_marks(view.has_marks);
}

const fn state_to(picture: &Picture) -> ui::PictureState {
    match picture {
        Picture::Coming => ui::PictureState::Coming,
        Picture::Missing => ui::PictureState::Missing,
        Picture::Here(_) => ui::PictureState::Here,
    }
}

fn picture_to(picture: &Picture) -> slint::Image {
    match picture {
        Picture::Coming | Picture::Missing => slint::Image::default(),
        Picture::Here(pixels) => {
            let buffer = slint::SharedPixelBuffer::clone_from_slice(pixels.as_raw(), pixels.width(), pixels.height());
            slint::Image::from_rgb8(buffer)
        }
    }
}

fn render_door(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::DoorApi::get(window), app.door_view());
    api.set_site_line(view.site_line.into());
    api.set_lead(view.lead.into());
    api.set_date(view.date.into());
    api.set_how_long(view.how_long.into());
    api.set_window(view.window.into());
    let chart = view.chart.into_iter().map(|(kind, commands)| ui::ChartLayer {
        commands: commands.into(),
        kind: chart_kind_to(kind),
    });
    sync(&api.get_chart(), chart.collect(), |model| api.set_chart(model));
    let labels = view.chart_labels.into_iter().map(|label| ui::ChartLabel {
        x: pixels(label.x),
        y: pixels(label.y),
        text: label.text.into(),
        kind: chart_kind_to(label.kind),
    });
    sync(&api.get_chart_labels(), labels.collect(), |model| {
        api.set_chart_labels(model);
    });
    api.set_chart_description(view.chart_description.into());
    api.set_chance(view.chance.into());
    api.set_reason(view.reason.into());
    let layers = |drawing: Option<SectionDrawing>| drawing.as_ref().map(layers_of).unwrap_or_default();
    sync(&api.get_today(), layers(view.today), |model| api.set_today(model));
    api.set_today_caption(view.today_caption.into());
    sync(&api.get_then(), layers(view.then), |model| api.set_then(model));
    api.set_then_caption(view.then_caption.into());
    api.set_lids_heading(view.lids_heading.into());
    sync(&api.get_lids_lines(), texts(view.lids_lines), |model| {
        api.set_lids_lines(model);
    });
    api.set_found_heading(view.found_heading.into());
    sync(&api.get_found_lines(), texts(view.found_lines), |model| {
        api.set_found_lines(model);
    });
    api.set_cautions_heading(view.cautions_heading.into());
    sync(&api.get_cautions(), texts(view.cautions), |model| {
        api.set_cautions(model);
    });
    api.set_sign_text(view.sign_text.into());
    api.set_slip_text(view.slip_text.into());
    api.set_done_text(view.done_text.into());
    api.set_signed(view.signed);
    api.set_signed_text(view.signed_text.into());
    api.set_signing(view.signing);
    api.set_sign_heading(view.sign_heading.into());
    api.set_signer_label(view.signer_label.into());
    api.set_signer(view.signer.into());
    api.set_strokes(view.strokes.into());
    api.set_clear_text(view.clear_text.into());
    api.set_cancel_text(view.cancel_text.into());
    api.set_accept_text(view.accept_text.into());
    api.set_can_accept(view.can_accept);
}

fn render_what_if(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::WhatIfApi::get(window), app.what_if_view());
    api.set_site_line(view.site_line.into());
    api.set_date(view.date.into());
    api.set_detail(view.detail.into());
    api.set_changed(view.changed);
    api.set_residents(figure_to(view.residents));
    api.set_residents_plus("+ 1".into());
    api.set_residents_minus("− 1".into());
    api.set_tank(figure_to(view.tank));
    api.set_tank_plus(view.tank_nudges.0.into());
    api.set_tank_minus(view.tank_nudges.1.into());
    api.set_grinder(answer_to(view.grinder));
    api.set_note(view.note.into());
}

fn render_setup(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::SetupApi::get(window), app.setup_view());
    api.set_language(language_to(view.language));
    api.set_units(match view.units {
        Units::UsCustomary => ui::UnitSystem::Us,
        Units::Metric => ui::UnitSystem::Metric,
    });
    api.set_night(view.night);
    api.set_keep_camera_data(app.session().setup().keep_camera_data);
    let rows = |rows: Vec<SetupRow>| rows.into_iter().map(setup_row_to).collect::<Vec<_>>();
    sync(&api.get_company(), rows(view.company), |model| api.set_company(model));
    let [name, jurisdiction, section, effective, sure, detail] = view.rule;
    api.set_rule_name(name.into());
    api.set_rule_jurisdiction(jurisdiction.into());
    api.set_rule_section(section.into());
    api.set_rule_effective(effective.into());
    api.set_rule_sure(sure.into());
    api.set_rule_detail(detail.into());
    sync(&api.get_truck(), rows(view.truck), |model| api.set_truck(model));
    sync(&api.get_prices(), rows(view.prices), |model| api.set_prices(model));
    sync(&api.get_limits(), rows(view.limits), |model| api.set_limits(model));
    sync(&api.get_position(), rows(view.position), |model| {
        api.set_position(model);
    });
    sync(&api.get_office(), rows(view.office), |model| api.set_office(model));
    api.set_price_list_text(view.price_list.into());
    api.set_book_text(view.book.into());
    let cloud = app.cloud_view();
    api.set_cloud_shown(cloud.shown);
    api.set_cloud_on(cloud.on);
    api.set_cloud_warns(cloud.warns);
    api.set_cloud_text(cloud.text.into());
}

fn render_about(window: &ui::AppWindow, app: &App) {
    let api = ui::AboutApi::get(window);
    let words = app.session().words();
    api.set_version(concat!("Lidmark ", env!("CARGO_PKG_VERSION")).into());
    let sentences = [
        "A forecast helps to plan; it does not replace looking into the tank.",
        "Local code and licensed practice decide.",
    ];
    sync(
        &api.get_sentences(),
        texts(sentences.iter().map(|text| words.t(text)).collect()),
        |m| api.set_sentences(m),
    );
    sync(&api.get_licences(), lines(app.about_licences()), |model| {
        api.set_licences(model);
    });
}

fn render_overlays(window: &ui::AppWindow, app: &App) {
    let (api, view) = (ui::PadApi::get(window), app.pad_view());
    api.set_shown(view.is_some());
    if let Some(view) = view {
        let key = |has: bool, text: &str| SharedString::from(if has { text } else { "" });
        api.set_title(view.title.into());
        api.set_text(view.text.into());
        api.set_unit(view.unit.into());
        api.set_point_text(view.point_text.into());
        api.set_fraction_text(key(view.has_half, "½"));
        api.set_sign_text(key(view.has_sign, "±"));
        api.set_verdict(verdict_to(view.verdict));
        api.set_message(view.message.into());
        api.set_can_keep(view.verdict == Verdict::Ok);
    }
    let (api, view) = (ui::SheetApi::get(window), app.sheet_view());
    api.set_shown(view.is_some());
    if let Some(view) = view {
        api.set_title(view.title.into());
        api.set_text(view.text.into());
        api.set_many_lines(view.many_lines);
        api.set_verdict(verdict_to(view.verdict));
        api.set_message(view.message.into());
        api.set_can_keep(view.verdict != Verdict::Invalid);
    }
    let (api, view) = (ui::PickerApi::get(window), app.picker_view());
    api.set_shown(view.is_some());
    if let Some(view) = view {
        api.set_title(view.title.clone().into());
        api.set_selected(view.selected.map_or(-1, small));
        sync(&api.get_rows(), lines(view.rows.clone()), |model| api.set_rows(model));
    }
    let (api, view) = (ui::ConfirmApi::get(window), app.confirm_view());
    api.set_shown(view.is_some());
    if let Some(view) = view {
        api.set_title(view.title.clone().into());
        api.set_sentence(view.sentence.clone().into());
        api.set_grave(matches!(
            view.target,
            ConfirmTarget::FinishWithLids | ConfirmTarget::Wipe(..)
        ));
        api.set_yes_text(view.yes.clone().into());
        api.set_no_text(view.no.clone().into());
    }
}

/// The book's rows, written out only when a row comes into view.
struct BookModel {
    app: SharedApp,
    notify: ModelNotify,
    /// What the rows shown were made from.
    stamp: Cell<(u64, u8)>,
}

impl BookModel {
    fn refresh(&self, app: &App) {
        let setup = app.session().setup();
        let words = u8::from(setup.language == Language::Spanish) + 2 * u8::from(setup.units == Units::Metric);
        let stamp = (app.book().revision(), words);
        if self.stamp.replace(stamp) != stamp {
            self.notify.reset();
        }
    }
}

impl Model for BookModel {
    type Data = ui::BookRow;

    fn row_count(&self) -> usize {
        self.app.try_borrow().map_or(0, |app| app.book().len())
    }

    fn row_data(&self, row: usize) -> Option<Self::Data> {
        let app = self.app.try_borrow().ok()?;
        let line = app.book().line(row, app.session().figures(), app.session().today())?;
        Some(ui::BookRow {
            title: line.title.into(),
            detail: line.detail.into(),
            right: line.right.into(),
            due: due_to(line.due),
        })
    }

    fn model_tracker(&self) -> &dyn ModelTracker {
        &self.notify
    }
}

/// The stop's photos, each row made and its thumbnail wished for only when it comes into view.
struct PhotoModel {
    app: SharedApp,
    notify: ModelNotify,
    /// What the rows shown were made from.
    stamp: Cell<((StopId, u64), usize, u8)>,
}

impl PhotoModel {
    fn refresh(&self, app: &App) {
        let setup = app.session().setup();
        let words = u8::from(setup.language == Language::Spanish);
        let stamp = (app.photos_revision(), app.photo_count(), words);
        let arrived = app.photos_arrived();
        if self.stamp.replace(stamp) == stamp {
            for row in arrived {
                self.notify.row_changed(row);
            }
        } else {
            self.notify.reset();
        }
    }
}

impl Model for PhotoModel {
    type Data = ui::PhotoRow;

    fn row_count(&self) -> usize {
        self.app.try_borrow().map_or(0, |app| app.photo_count())
    }

    fn row_data(&self, row: usize) -> Option<Self::Data> {
        let app = self.app.try_borrow().ok()?;
        let line = app.photo_line(row)?;
        let picture = app.photo_thumbnail(row);
        Some(ui::PhotoRow {
            title: line.title.into(),
            detail: line.detail.into(),
            note: line.note.into(),
            state: state_to(&picture),
            picture: picture_to(&picture),
        })
    }

    fn model_tracker(&self) -> &dyn ModelTracker {
        &self.notify
    }
}

/// Brings a list in the window up to date, touching only the rows that differ, so that little is drawn again.
fn sync<T: Clone + PartialEq + 'static>(shown: &ModelRc<T>, rows: Vec<T>, replace: impl FnOnce(ModelRc<T>)) {
    let Some(model) = shown.as_any().downcast_ref::<VecModel<T>>() else {
        replace(ModelRc::new(VecModel::from(rows)));
        return;
    };
    while model.row_count() > rows.len() {
        model.remove(model.row_count() - 1);
    }
    for (index, row) in rows.into_iter().enumerate() {
        match model.row_data(index) {
            Some(old) if old == row => {}
            Some(_) => model.set_row_data(index, row),
            None => model.push(row),
        }
    }
}

fn layers_of(drawing: &SectionDrawing) -> Vec<ui::SectionLayer> {
    drawing
        .layers
        .iter()
        .flat_map(|layer| {
            let kind = section_kind_to(layer.kind);
            layer
                .pieces(drawing.area)
                .into_iter()
                .map(move |piece| ui::SectionLayer {
                    x: pixels(piece.x),
                    y: pixels(piece.y),
                    width: pixels(piece.width),
                    height: pixels(piece.height),
                    commands: piece.commands.unwrap_or_default().into(),
                    kind,
                })
        })
        .collect()
}

const fn section_kind_to(kind: LayerKind) -> ui::SectionKind {
    match kind {
        LayerKind::Soil => ui::SectionKind::Soil,
        LayerKind::Turf => ui::SectionKind::Turf,
        LayerKind::Concrete => ui::SectionKind::Concrete,
        LayerKind::Air => ui::SectionKind::Air,
        LayerKind::Scum => ui::SectionKind::Scum,
        LayerKind::Clear => ui::SectionKind::Clear,
        LayerKind::Sludge => ui::SectionKind::Sludge,
        LayerKind::Device => ui::SectionKind::Device,
        LayerKind::Pipe => ui::SectionKind::Pipe,
        LayerKind::Lid => ui::SectionKind::Lid,
        LayerKind::Riser => ui::SectionKind::Riser,
        LayerKind::Limit => ui::SectionKind::Limit,
        LayerKind::OutletLine => ui::SectionKind::OutletLine,
        LayerKind::Hatch => ui::SectionKind::Hatch,
    }
}

fn ticks_of(drawing: &SectionDrawing, app: &App) -> Vec<ui::SectionTick> {
    let unit = app.session().figures().length_unit();
    drawing
        .ticks
        .iter()
        .enumerate()
        .map(|(index, tick)| ui::SectionTick {
            x: pixels(tick.x),
            y: pixels(tick.y),
            // The deepest mark names the unit for all of them.
            text: if index + 1 == drawing.ticks.len() {
                format!("{} {unit}", tick.text).into()
            } else {
                tick.text.as_str().into()
            },
            kind: ui::TickKind::Scale,
        })
        .collect()
}

fn handles_of(drawing: &SectionDrawing, value: &dyn Fn(EdgeKind) -> String, app: &App) -> Vec<ui::SectionHandle> {
    let words = app.session().words();
    drawing
        .handles
        .iter()
        .filter(|handle| handle.edge.kind != EdgeKind::LidTop || drawing.handles.len() == 1)
        .map(|handle| {
            let (kind, label) = match handle.edge.kind {
                EdgeKind::Level => (ui::HandleKind::Level, "Liquid level"),
                EdgeKind::ScumBottom => (ui::HandleKind::Scum, "Scum thickness"),
                EdgeKind::SludgeTop => (ui::HandleKind::Sludge, "Sludge depth"),
                EdgeKind::DeviceBottom => (ui::HandleKind::Device, "Outlet device, below outlet"),
                EdgeKind::LidTop => (ui::HandleKind::Cover, "Soil over lid"),
            };
            ui::SectionHandle {
                kind,
                x: pixels(handle.x),
                y: pixels(handle.y),
                selected: handle.selected,
                label: words.t(label).into(),
                value: value(handle.edge.kind).into(),
            }
        })
        .collect()
}

/// A length in the window's own single precision; a picture needs no more.
#[expect(clippy::cast_possible_truncation, reason = "screen coordinates, far inside f32")]
fn pixels(value: f64) -> f32 {
    value as f32
}

fn share(value: f64) -> f32 {
    pixels(value.clamp(0.0, 1.0))
}

fn small(value: usize) -> i32 {
    i32::try_from(value).unwrap_or(i32::MAX)
}

fn place(index: i32) -> usize {
    usize::try_from(index).unwrap_or(usize::MAX)
}

fn texts(list: Vec<String>) -> Vec<SharedString> {
    list.into_iter().map(SharedString::from).collect()
}

fn lines(list: Vec<(String, String)>) -> Vec<ui::Line> {
    list.into_iter()
        .map(|(title, detail)| ui::Line {
            title: title.into(),
            detail: detail.into(),
        })
        .collect()
}

fn figure_to(figure: FigureView) -> ui::Figure {
    ui::Figure {
        name: figure.name.into(),
        value: figure.value.into(),
        unit: figure.unit.into(),
        verdict: verdict_to(figure.verdict),
        message: figure.message.into(),
    }
}

fn field_to(field: Field) -> ui::Field {
    ui::Field {
        text: field.text.into(),
        verdict: verdict_to(field.verdict),
        message: field.message.into(),
    }
}

const fn verdict_to(verdict: Verdict) -> ui::Verdict {
    match verdict {
        Verdict::Empty => ui::Verdict::Empty,
        Verdict::Ok => ui::Verdict::Ok,
        Verdict::Warning => ui::Verdict::Warning,
        Verdict::Invalid => ui::Verdict::Invalid,
    }
}

const fn answer_to(answer: Answer) -> ui::Answer {
    match answer {
        Answer::Unknown => ui::Answer::Unknown,
        Answer::Yes => ui::Answer::Yes,
        Answer::No => ui::Answer::No,
    }
}

const fn answer_of(answer: ui::Answer) -> Answer {
    match answer {
        ui::Answer::Unknown => Answer::Unknown,
        ui::Answer::Yes => Answer::Yes,
        ui::Answer::No => Answer::No,
    }
}

const fn due_to(due: DueState) -> ui::DueState {
    match due {
        DueState::None => ui::DueState::None,
        DueState::Ok => ui::DueState::Ok,
        DueState::Soon => ui::DueState::Soon,
        DueState::Over => ui::DueState::Over,
    }
}

const fn chart_kind_to(kind: ChartKind) -> ui::ChartKind {
    match kind {
        ChartKind::Axis => ui::ChartKind::Axis,
        ChartKind::Band => ui::ChartKind::Band,
        ChartKind::Median => ui::ChartKind::Median,
        ChartKind::Limit => ui::ChartKind::Limit,
        ChartKind::Marker => ui::ChartKind::Marker,
    }
}

const fn language_to(language: Language) -> ui::Language {
    match language {
        Language::English => ui::Language::English,
        Language::Spanish => ui::Language::Spanish,
    }
}

const fn language_of(language: ui::Language) -> Language {
    match language {
        ui::Language::English => Language::English,
        ui::Language::Spanish => Language::Spanish,
    }
}

const fn quantity_of(quantity: ui::Quantity) -> Quantity {
    match quantity {
        ui::Quantity::Level => Quantity::Level,
        ui::Quantity::Scum => Quantity::Scum,
        ui::Quantity::Sludge => Quantity::Sludge,
        ui::Quantity::Device => Quantity::Device,
    }
}

const fn shape_of(shape: ui::TankShape) -> ShapeKind {
    match shape {
        ui::TankShape::Box => ShapeKind::Box,
        ui::TankShape::UprightCylinder => ShapeKind::UprightCylinder,
        ui::TankShape::LevelCylinder => ShapeKind::LevelCylinder,
        ui::TankShape::ObroundPlan => ShapeKind::ObroundPlan,
        ui::TankShape::ObroundSection => ShapeKind::ObroundSection,
        ui::TankShape::EllipseSection => ShapeKind::EllipseSection,
        ui::TankShape::DipTable => ShapeKind::DipTable,
        ui::TankShape::Nominal => ShapeKind::Nominal,
    }
}

const fn site_field_of(field: ui::SiteField) -> SiteField {
    match field {
        ui::SiteField::Name => SiteField::Name,
        ui::SiteField::Address => SiteField::Address,
        ui::SiteField::Note => SiteField::Note,
        ui::SiteField::Town => SiteField::Town,
        ui::SiteField::Customer => SiteField::Customer,
        ui::SiteField::Phone => SiteField::Phone,
        ui::SiteField::PermitDate => SiteField::PermitDate,
        ui::SiteField::Latitude => SiteField::Latitude,
        ui::SiteField::Longitude => SiteField::Longitude,
    }
}

const fn pad_key_of(key: ui::PadKey) -> PadKey {
    match key {
        ui::PadKey::Zero => PadKey::Digit(0),
        ui::PadKey::One => PadKey::Digit(1),
        ui::PadKey::Two => PadKey::Digit(2),
        ui::PadKey::Three => PadKey::Digit(3),
        ui::PadKey::Four => PadKey::Digit(4),
        ui::PadKey::Five => PadKey::Digit(5),
        ui::PadKey::Six => PadKey::Digit(6),
        ui::PadKey::Seven => PadKey::Digit(7),
        ui::PadKey::Eight => PadKey::Digit(8),
        ui::PadKey::Nine => PadKey::Digit(9),
        ui::PadKey::Point => PadKey::Point,
        ui::PadKey::Fraction => PadKey::Half,
        ui::PadKey::Sign => PadKey::Sign,
        ui::PadKey::Back => PadKey::Back,
    }
}

const fn setup_item_to(item: SetupItem) -> ui::SetupItem {
    match item {
        SetupItem::Company => ui::SetupItem::Company,
        SetupItem::CompanyPhone => ui::SetupItem::CompanyPhone,
        SetupItem::Technician => ui::SetupItem::Technician,
        SetupItem::DigFee => ui::SetupItem::DigFee,
        SetupItem::Riser(6) => ui::SetupItem::Riser6,
        SetupItem::Riser(12) => ui::SetupItem::Riser12,
        SetupItem::Riser(18) => ui::SetupItem::Riser18,
        SetupItem::Riser(_) => ui::SetupItem::Riser24,
        SetupItem::CompanyAddress => ui::SetupItem::CompanyAddress,
        SetupItem::Registration => ui::SetupItem::Registration,
        SetupItem::Certification => ui::SetupItem::Certification,
        SetupItem::TruckName => ui::SetupItem::TruckName,
        SetupItem::TruckPlate => ui::SetupItem::TruckPlate,
        SetupItem::TruckRegistration => ui::SetupItem::TruckRegistration,
        SetupItem::TruckTank(0) => ui::SetupItem::TruckTank1,
        SetupItem::TruckTank(1) => ui::SetupItem::TruckTank2,
        SetupItem::TruckTank(2) => ui::SetupItem::TruckTank3,
        SetupItem::TruckTank(_) => ui::SetupItem::TruckTank4,
        SetupItem::MaxInterval => ui::SetupItem::MaxInterval,
        SetupItem::EdgeError => ui::SetupItem::TapeError,
        SetupItem::PositionSource => ui::SetupItem::PositionSource,
        SetupItem::OfficeKey => ui::SetupItem::OfficeKey,
        SetupItem::PhoneKey => ui::SetupItem::PhoneKey,
    }
}

const fn setup_item_of(item: ui::SetupItem) -> SetupItem {
    match item {
        ui::SetupItem::Company => SetupItem::Company,
        ui::SetupItem::CompanyPhone => SetupItem::CompanyPhone,
        ui::SetupItem::Technician => SetupItem::Technician,
        ui::SetupItem::DigFee => SetupItem::DigFee,
        ui::SetupItem::Riser6 => SetupItem::Riser(6),
        ui::SetupItem::Riser12 => SetupItem::Riser(12),
        ui::SetupItem::Riser18 => SetupItem::Riser(18),
        ui::SetupItem::Riser24 => SetupItem::Riser(24),
        ui::SetupItem::CompanyAddress => SetupItem::CompanyAddress,
        ui::SetupItem::Registration => SetupItem::Registration,
        ui::SetupItem::Certification => SetupItem::Certification,
        ui::SetupItem::TruckName => SetupItem::TruckName,
        ui::SetupItem::TruckPlate => SetupItem::TruckPlate,
        ui::SetupItem::TruckRegistration => SetupItem::TruckRegistration,
        ui::SetupItem::TruckTank1 => SetupItem::TruckTank(0),
        ui::SetupItem::TruckTank2 => SetupItem::TruckTank(1),
        ui::SetupItem::TruckTank3 => SetupItem::TruckTank(2),
        ui::SetupItem::TruckTank4 => SetupItem::TruckTank(3),
        ui::SetupItem::MaxInterval => SetupItem::MaxInterval,
        ui::SetupItem::TapeError => SetupItem::EdgeError,
        ui::SetupItem::PositionSource => SetupItem::PositionSource,
        ui::SetupItem::OfficeKey => SetupItem::OfficeKey,
        ui::SetupItem::PhoneKey => SetupItem::PhoneKey,
    }
}

fn setup_row_to(row: SetupRow) -> ui::SetupRow {
    ui::SetupRow {
        item: setup_item_to(row.item),
        name: row.name.into(),
        value: row.value.into(),
        verdict: verdict_to(row.verdict),
        message: row.message.into(),
    }
}

const fn screen_of(screen: ui::Screen) -> Screen {
    match screen {
        ui::Screen::FirstRun => Screen::FirstRun,
        ui::Screen::None | ui::Screen::Day => Screen::Day,
        ui::Screen::Book => Screen::Book,
        ui::Screen::Site => Screen::Site,
        ui::Screen::SiteEdit => Screen::SiteEdit,
        ui::Screen::Find => Screen::At(Station::Find),
        ui::Screen::Dig => Screen::At(Station::Dig),
        ui::Screen::Read => Screen::At(Station::Read),
        // The pages are opened by their own keys; what stands before them is the station.
        ui::Screen::Pump | ui::Screen::Page => Screen::At(Station::Pump),
        ui::Screen::Leave => Screen::At(Station::Leave),
        ui::Screen::Tank => Screen::Tank,
        ui::Screen::Photos => Screen::Photos,
        ui::Screen::Photo => Screen::Photo,
        ui::Screen::Door => Screen::Door,
        ui::Screen::WhatIf => Screen::WhatIf,
        ui::Screen::Truck => Screen::Truck,
        ui::Screen::Load => Screen::Load,
        ui::Screen::Disposal => Screen::Disposal,
        ui::Screen::CloseDay => Screen::CloseDay,
        ui::Screen::Setup => Screen::Setup,
        ui::Screen::About => Screen::About,
    }
}

const fn screen_to(screen: Screen) -> ui::Screen {
    match screen {
        Screen::FirstRun => ui::Screen::FirstRun,
        Screen::Day => ui::Screen::Day,
        Screen::Book => ui::Screen::Book,
        Screen::Site => ui::Screen::Site,
        Screen::SiteEdit => ui::Screen::SiteEdit,
        Screen::At(Station::Find) => ui::Screen::Find,
        Screen::At(Station::Dig) => ui::Screen::Dig,
        Screen::At(Station::Read) => ui::Screen::Read,
        Screen::At(Station::Pump) => ui::Screen::Pump,
        Screen::At(Station::Leave) => ui::Screen::Leave,
        Screen::Page(_) => ui::Screen::Page,
        Screen::Tank => ui::Screen::Tank,
        Screen::Photos => ui::Screen::Photos,
        Screen::Photo => ui::Screen::Photo,
        Screen::Door => ui::Screen::Door,
        Screen::WhatIf => ui::Screen::WhatIf,
        Screen::Truck => ui::Screen::Truck,
        Screen::Load => ui::Screen::Load,
        Screen::Disposal => ui::Screen::Disposal,
        Screen::CloseDay => ui::Screen::CloseDay,
        Screen::Setup => ui::Screen::Setup,
        Screen::About => ui::Screen::About,
    }
}
