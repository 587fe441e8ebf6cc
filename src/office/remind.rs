//! `remind`: letters or cards to the customers due in a month, as PDF, each in the customer's language.

use super::Refusal;
use super::context::{Call, Office, cannot_write, toml_fault};
use super::files::write_file;
use super::{due, options};
use crate::domain::record::Language;
use crate::say::figures::Figures;
use crate::say::lettering::{self, FAMILY, Weight};
use crate::say::paper::{self, CardPage};
use crate::say::words::Words;
use crate::store::DueRow;
use serde::Deserialize;
use serde_json::json;
use std::path::PathBuf;

/// The bundled template.
pub const TEMPLATE: &str = include_str!("reminder.toml");

/// What may stand in braces.
const PLACEHOLDERS: [&str; 13] = [
    "customer",
    "name",
    "address",
    "town",
    "place",
    "phone",
    "due_month",
    "due_date",
    "last_visit",
    "today",
    "month",
    "company",
    "company_phone",
];

/// What was asked of `remind`.
#[derive(Clone, Debug, Default)]
pub struct Asked {
    /// The month.
    pub month: Option<String>,
    /// The folder the letters go to.
    pub out: Option<PathBuf>,
    /// A template of the office's own.
    pub template: Option<PathBuf>,
    /// One file for each customer instead of one for all.
    pub each: bool,
    /// The company's name, over the set-up.
    pub company: Option<String>,
    /// The company's telephone, over the set-up.
    pub company_phone: Option<String>,
    /// Leave out who already stands on a coming day.
    pub not_planned: bool,
    /// Print the bundled template instead.
    pub print_template: bool,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Template {
    page: PageKind,
    en: Letter,
    es: Letter,
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
enum PageKind {
    Letter,
    A4,
    Card,
}

impl PageKind {
    /// Width, height, margin and size of type, points of 1/72 in.
    const fn points(self) -> (f64, f64, f64, f64) {
        match self {
            Self::Letter => (612.0, 792.0, 72.0, 12.0),
            Self::A4 => (595.0, 842.0, 72.0, 12.0),
            Self::Card => (432.0, 306.0, 28.0, 10.5),
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Letter {
    heading: String,
    body: String,
    closing: String,
}

/// Writes the reminders of a month.
///
/// # Errors
/// What was refused, and what to do; then no letter has been written.
pub fn run(call: &Call, asked: &Asked) -> Result<String, Refusal> {
    if asked.print_template {
        return Ok(TEMPLATE.to_owned());
    }
    call.on_book(|office| {
        let words = office.words();
        let template = template(office, asked)?;
        let unknown = unknown(office, asked, &template);
        let (Some(month), Some(out)) = (&asked.month, &asked.out) else {
            let lacking = [
                asked.month.is_none().then_some("--month YYYY-MM"),
                asked.out.is_none().then_some("--out DIR"),
            ];
            let lacking = lacking.into_iter().flatten().chain(unknown).collect::<Vec<_>>();
            return Err(Refusal::input(
                words.t("Something is missing to write the letters."),
                words.f("Give it with {0}.", &[&lacking.join(" ")]),
            ));
        };
        let (first, _) = options::month(month, words)?;
        let who = due::Asked {
            month: Some(month.clone()),
            not_planned: asked.not_planned,
            ..due::Asked::default()
        };
        let (rows, _) = due::rows(office, &who)?;
        if rows.is_empty() {
            if office.json {
                return Ok(json!({ "month": month, "letters": 0, "files": [] }).to_string());
            }
            return Ok(words.f(
                "Nobody is due in {0}: no letter was written.",
                &[&office.figures.month(first)],
            ));
        }
        if !unknown.is_empty() {
            return Err(Refusal::refused(
                words.t("The letter names the company, and the book does not know it."),
                words.f("Give it with {0}, or set it up in the book.", &[&unknown.join(" ")]),
            ));
        }
        // Every page is made before the first is written, so that a fault in one leaves no half of them.
        let pages = rows
            .iter()
            .map(|row| page(office, asked, &template, row, first))
            .collect::<Result<Vec<_>, _>>()?;
        let made = |pages: &[CardPage]| {
            paper::pdf_of(pages).map_err(|error| {
                Refusal::refused(
                    words.f("The letter cannot be made: {0}", &[&error.to_string()]),
                    words.t("Correct the template and run it again."),
                )
            })
        };
        let files = if asked.each {
            rows.iter()
                .zip(&pages)
                .map(|(row, page)| {
                    let name = format!("reminder-{month}-{}.pdf", file_part(&row.name, &row.id.to_string()));
                    Ok((name, made(std::slice::from_ref(page))?))
                })
                .collect::<Result<Vec<_>, Refusal>>()?
        } else {
            vec![(format!("reminders-{month}.pdf"), made(&pages)?)]
        };
        std::fs::create_dir_all(out).map_err(|error| cannot_write(out, &error, words))?;
        for (name, bytes) in &files {
            write_file(&out.join(name), bytes, &office.kept, words)?;
        }
        if office.json {
            let files = files.iter().map(|(name, _)| out.join(name).display().to_string());
            return Ok(
                json!({ "month": month, "letters": pages.len(), "files": files.collect::<Vec<_>>() }).to_string(),
            );
        }
        let count = words.n("{0} letter written to {1}", "{0} letters written to {1}", pages.len());
        Ok(count.replace("{1}", &out.display().to_string()))
    })
}

fn template(office: &Office, asked: &Asked) -> Result<Template, Refusal> {
    let words = office.words();
    let text = match &asked.template {
        None => TEMPLATE.to_owned(),
        Some(path) => {
            let bytes = office.kept.read(path, &mut std::io::empty(), words)?;
            String::from_utf8_lossy(&bytes).into_owned()
        }
    };
    toml::from_str(&text).map_err(|error| {
        Refusal::refused(
            words.f("The template cannot be read: {0}", &[&toml_fault(&text, &error, words)]),
            words.t("Begin again from: lidmark-office remind --print-template"),
        )
    })
}

/// What is given, else what the book knows.
fn over(own: &str, given: Option<&str>) -> String {
    given.unwrap_or(own).to_owned()
}

/// The options for what the template asks of the company, and neither they nor the book say.
fn unknown(office: &Office, asked: &Asked, template: &Template) -> Vec<&'static str> {
    let letters = [&template.en, &template.es];
    let texts = letters.map(|letter| [&letter.heading, &letter.body, &letter.closing]);
    let asks_for = |name: &str| {
        let brace = format!("{{{name}}}");
        texts
            .iter()
            .flatten()
            .any(|text| text.replace(' ', "").contains(&brace))
    };
    let is_unknown = |own: &str, given: &Option<String>| over(own, given.as_deref()).trim().is_empty();
    let setup = &office.setup;
    [
        ("company", "--company NAME", is_unknown(&setup.company, &asked.company)),
        (
            "company_phone",
            "--company-phone NUMBER",
            is_unknown(&setup.company_phone, &asked.company_phone),
        ),
    ]
    .into_iter()
    .filter(|(name, _, unknown)| *unknown && asks_for(name))
    .map(|(_, option, _)| option)
    .collect()
}

/// A file name made of a site's name: letters and digits, then enough of the id to be the only one.
fn file_part(name: &str, id: &str) -> String {
    let plain = crate::exchange::customer_list::folded(name)
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .take(40)
        .collect::<String>();
    format!("{plain}-{id}")
}

/// Fills in what stands in braces.
fn filled(text: &str, value: &dyn Fn(&str) -> Result<String, Refusal>, words: Words) -> Result<String, Refusal> {
    let mut out = String::with_capacity(text.len() + 64);
    let mut rest = text;
    while let Some(at) = rest.find(['{', '}']) {
        let (before, from) = rest.split_at(at);
        out.push_str(before);
        if let Some(after) = from.strip_prefix("{{") {
            out.push('{');
            rest = after;
        } else if let Some(after) = from.strip_prefix("}}") {
            out.push('}');
            rest = after;
        } else {
            let inside = from.strip_prefix('{').and_then(|from| from.split_once('}'));
            let Some((name, after)) = inside else {
                return Err(Refusal::refused(
                    words.t("A brace in the template has no partner."),
                    words.t("Double a brace that is to be printed."),
                ));
            };
            out.push_str(&value(name.trim())?);
            rest = after;
        }
    }
    out.push_str(rest);
    Ok(out)
}

fn page(
    office: &Office,
    asked: &Asked,
    template: &Template,
    row: &DueRow,
    month: chrono::NaiveDate,
) -> Result<CardPage, Refusal> {
    let words = office.words();
    let language = Language::from_word(&row.language).unwrap_or(words.language());
    let theirs = Figures {
        units: office.figures.units,
        words: Words::new(language),
    };
    let letter = match language {
        Language::English => &template.en,
        Language::Spanish => &template.es,
    };
    let value = |name: &str| {
        Ok(match name {
            "customer" if row.customer.is_empty() => row.name.clone(),
            "customer" => row.customer.clone(),
            "name" => row.name.clone(),
            "address" if row.address.is_empty() => row.name.clone(),
            "address" => row.address.clone(),
            "town" => row.town.clone(),
            "place" => {
                let street = if row.address.is_empty() {
                    &row.name
                } else {
                    &row.address
                };
                let parts = [street.as_str(), row.town.as_str()];
                parts
                    .into_iter()
                    .filter(|part| !part.is_empty())
                    .collect::<Vec<_>>()
                    .join(", ")
            }
            "phone" => row.phone.clone(),
            "due_month" => row.due_on.map_or_else(String::new, |day| theirs.month(day)),
            "due_date" => row.due_on.map_or_else(String::new, |day| theirs.date(day)),
            "last_visit" => {
                last_seen(office, row)?.map_or_else(|| theirs.words.t("not on record"), |day| theirs.date(day))
            }
            "today" => theirs.date(office.today()),
            "month" => theirs.month(month),
            "company" => over(&office.setup.company, asked.company.as_deref()),
            "company_phone" => over(&office.setup.company_phone, asked.company_phone.as_deref()),
            other => {
                return Err(Refusal::refused(
                    words.f(
                        "The template asks for {0}, which nobody knows.",
                        &[&format!("{{{other}}}")],
                    ),
                    words.f("It may ask for: {0}.", &[&PLACEHOLDERS.join(", ")]),
                ));
            }
        })
    };
    let heading = filled(&letter.heading, &value, words)?;
    let body = filled(&letter.body, &value, words)?;
    let closing = filled(&letter.closing, &value, words)?;
    let street = if row.address.is_empty() {
        &row.name
    } else {
        &row.address
    };
    let address = [&row.customer, street, &row.town];
    laid_out(
        template.page,
        &address,
        &theirs.date(office.today()),
        &heading,
        &body,
        &closing,
        language,
    )
    .ok_or_else(|| {
        Refusal::refused(
            words.f("The letter to {0} does not fit on its page.", &[&row.name]),
            words.t("Make the template shorter, or choose a larger page."),
        )
    })
}

/// The last stop; where there was none, when the tank was last emptied as far as the book knows.
fn last_seen(office: &Office, row: &DueRow) -> Result<Option<chrono::NaiveDate>, Refusal> {
    if row.last_visit.is_some() {
        return Ok(row.last_visit);
    }
    let site = office.store.site_whole(row.id).map_err(|error| office.refuse(&error))?;
    Ok(site.tanks.iter().filter_map(|tank| tank.last_emptied).max())
}

/// Sets a letter; `None` when it is longer than its page.
fn laid_out(
    kind: PageKind,
    address: &[&String],
    date: &str,
    heading: &str,
    body: &str,
    closing: &str,
    language: Language,
) -> Option<CardPage> {
    let (width, height, margin, size) = kind.points();
    let room = width - 2.0 * margin;
    let mut ink = Vec::new();
    let mut y = margin;
    let mut put = |text: &str, weight: Weight, size: f64, y: &mut f64| {
        let most = 400;
        for line in lettering::wrap(&lettering::clean(text), weight, size, room, most) {
            *y += size * 1.4;
            let escaped = line.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
            ink.push(format!(
                "<text x=\"{margin:.1}\" y=\"{y:.1}\" font-size=\"{size:.1}\" font-weight=\"{}\" fill=\"#14201B\">{escaped}</text>",
                weight.css()
            ));
        }
    };
    for line in address.iter().filter(|line| !line.is_empty()) {
        put(line, Weight::Regular, size, &mut y);
    }
    y += size;
    put(date, Weight::Regular, size, &mut y);
    y += size;
    put(heading, Weight::Bold, size * 1.35, &mut y);
    y += size * 0.5;
    // A blank line begins a paragraph; a single line break is only where the template was broken.
    for paragraph in body.trim().split("\n\n") {
        put(&paragraph.replace('\n', " "), Weight::Regular, size, &mut y);
        y += size * 0.7;
    }
    y += size * 0.3;
    put(closing, Weight::SemiBold, size, &mut y);
    if y > height - margin * 0.6 {
        return None;
    }
    let (language, ink) = (language.word(), ink.concat());
    Some(CardPage {
        svg: format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" xml:lang=\"{language}\" width=\"{width}\" height=\"{height}\" \
             viewBox=\"0 0 {width} {height}\" font-family=\"{FAMILY}\">\
             <rect width=\"{width}\" height=\"{height}\" fill=\"#FFFFFF\"/>{ink}</svg>"
        ),
        title: lettering::clean(heading),
        language: language.to_owned(),
        width_pt: width,
        height_pt: height,
        left_out: 0,
    })
}
