//! A customer list of someone's own, as comma-separated or any other separated text: what it says, row by row.
//!
//! Lists that grew over years hold everything: another encoding, semicolons, titles over the heads, rows that are too
//! short, dates nobody can tell apart. A row is taken whole or refused whole, and every refusal has its reason.

use crate::domain::record::Language;
use crate::domain::units::{LITRES_PER_US_GALLON, round_to_i64};
use crate::exchange::table::unguarded;
use chrono::{Datelike, NaiveDate};
use encoding_rs::Encoding;
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap};
use uuid::Uuid;

/// The name space of ids made from a list's own keys: a row read again is the same site, on every machine.
const NAMESPACE: Uuid = Uuid::from_u128(0x6c69_646d_6172_6b00_8000_6c69_7374_0001);

/// How many records at the head may be titles and blank lines before the column heads.
const MOST_TITLES: usize = 20;

/// The most cells and line ends read: a hundred thousand customers with twenty columns have half of it.
pub const MOST_CELLS: usize = 4_000_000;

/// The most lines read.
pub const MOST_LINES: usize = 400_000;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Field {
    /// The list's own number of the customer.
    Id,
    /// What the crew calls the site.
    Name,
    /// The customer's whole name.
    Customer,
    /// The customer's first name.
    FirstName,
    /// The customer's last name.
    LastName,
    /// Street address.
    Address,
    /// Town.
    Town,
    /// Telephone.
    Phone,
    /// The language the customer reads.
    Language,
    /// Full-time residents.
    Residents,
    /// A garbage grinder is in use.
    Grinder,
    /// Degrees north.
    Latitude,
    /// Degrees east.
    Longitude,
    /// What the tank holds, US gallons.
    TankGallons,
    /// What the tank holds, litres.
    TankLitres,
    /// The last pump-out.
    LastPumped,
    /// When it is due.
    Due,
    /// When the system was permitted.
    Permit,
    /// Anything else worth knowing.
    Note,
}

impl Field {
    /// Every field with the heads it is known by, folded: lower case, no accents, no signs.
    pub const HEADS: &'static [(Self, &'static [&'static str])] = &[
        (
            Self::Id,
            &[
                "id",
                "customer id",
                "customer no",
                "customer number",
                "account",
                "account no",
                "account number",
                "acct",
                "acct no",
                "site id",
                "no",
                "cuenta",
                "no cuenta",
                "numero de cuenta",
                "codigo",
                "id cliente",
                "numero de cliente",
            ],
        ),
        (
            Self::Name,
            &[
                "name",
                "site",
                "site name",
                "property",
                "property name",
                "job",
                "job name",
                "location name",
                "nombre",
                "sitio",
                "lugar",
                "nombre del sitio",
                "propiedad",
            ],
        ),
        (
            Self::Customer,
            &[
                "customer",
                "customer name",
                "client",
                "client name",
                "owner",
                "owner name",
                "homeowner",
                "contact",
                "contact name",
                "cliente",
                "nombre del cliente",
                "propietario",
                "dueno",
                "contacto",
            ],
        ),
        (
            Self::FirstName,
            &[
                "first name",
                "firstname",
                "first",
                "given name",
                "primer nombre",
                "nombre de pila",
            ],
        ),
        (
            Self::LastName,
            &[
                "last name",
                "lastname",
                "last",
                "surname",
                "family name",
                "apellido",
                "apellidos",
            ],
        ),
        (
            Self::Address,
            &[
                "address",
                "street",
                "street address",
                "service address",
                "site address",
                "address 1",
                "address1",
                "address line 1",
                "direccion",
                "calle",
                "domicilio",
                "direccion de servicio",
            ],
        ),
        (
            Self::Town,
            &[
                "town",
                "city",
                "municipality",
                "village",
                "township",
                "ciudad",
                "pueblo",
                "municipio",
                "localidad",
                "poblacion",
            ],
        ),
        (
            Self::Phone,
            &[
                "phone",
                "telephone",
                "tel",
                "phone number",
                "phone no",
                "phone 1",
                "home phone",
                "mobile",
                "cell",
                "cell phone",
                "telefono",
                "celular",
                "movil",
                "numero de telefono",
                "tel no",
            ],
        ),
        (Self::Language, &["language", "lang", "speaks", "idioma", "lengua"]),
        (
            Self::Residents,
            &[
                "residents",
                "people",
                "persons",
                "occupants",
                "household",
                "no of people",
                "number of people",
                "residentes",
                "personas",
                "habitantes",
                "ocupantes",
                "numero de personas",
            ],
        ),
        (
            Self::Grinder,
            &[
                "grinder",
                "garbage grinder",
                "garbage disposal",
                "garbage disposer",
                "triturador",
            ],
        ),
        (Self::Latitude, &["lat", "latitude", "gps lat", "latitud"]),
        (
            Self::Longitude,
            &["lon", "lng", "long", "longitude", "gps lon", "gps long", "longitud"],
        ),
        (
            Self::TankGallons,
            &[
                "gallons",
                "gal",
                "gals",
                "tank gallons",
                "tank gal",
                "tank size gal",
                "tank size gallons",
                "capacity gal",
                "capacity gallons",
                "tank size",
                "tank",
                "tank capacity",
                "capacity",
                "galones",
                "galones del tanque",
                "tamano del tanque",
                "tanque galones",
                "capacidad",
                "tanque",
                "capacidad del tanque",
            ],
        ),
        (
            Self::TankLitres,
            &[
                "litres",
                "liters",
                "tank litres",
                "tank liters",
                "capacity l",
                "tank l",
                "litros",
                "capacidad litros",
                "litros del tanque",
                "tanque litros",
                "capacidad l",
            ],
        ),
        (
            Self::LastPumped,
            &[
                "last pumped",
                "last pump",
                "last pump date",
                "last pumped date",
                "last pump out",
                "last pumpout",
                "date pumped",
                "pumped",
                "pumped on",
                "last service",
                "last service date",
                "last cleaned",
                "last emptied",
                "ultimo vaciado",
                "ultimo bombeo",
                "ultima limpieza",
                "fecha de vaciado",
                "ultimo servicio",
                "vaciado",
            ],
        ),
        (
            Self::Due,
            &[
                "due",
                "due date",
                "due on",
                "next due",
                "next pump",
                "next pump date",
                "next service",
                "next service date",
                "vence",
                "proximo vaciado",
                "proximo servicio",
                "proxima fecha",
                "fecha de vencimiento",
            ],
        ),
        (
            Self::Permit,
            &[
                "permit",
                "permit date",
                "permit on",
                "permitted",
                "installed",
                "install date",
                "permiso",
                "fecha de permiso",
                "fecha de instalacion",
            ],
        ),
        (
            Self::Note,
            &[
                "note",
                "notes",
                "comment",
                "comments",
                "remarks",
                "memo",
                "directions",
                "nota",
                "notas",
                "comentario",
                "comentarios",
                "observaciones",
                "indicaciones",
            ],
        ),
    ];

    /// Returns the field's word in a mapping file.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Id => "id",
            Self::Name => "name",
            Self::Customer => "customer",
            Self::FirstName => "first_name",
            Self::LastName => "last_name",
            Self::Address => "address",
            Self::Town => "town",
            Self::Phone => "phone",
            Self::Language => "language",
            Self::Residents => "residents",
            Self::Grinder => "grinder",
            Self::Latitude => "latitude",
            Self::Longitude => "longitude",
            Self::TankGallons => "tank_gallons",
            Self::TankLitres => "tank_litres",
            Self::LastPumped => "last_pumped",
            Self::Due => "due",
            Self::Permit => "permit",
            Self::Note => "note",
        }
    }

    /// Heads of a column with the whole name, the last name first, folded. Any other column with the customer goes before it.
    const LAST_FIRST: &'static [&'static str] = &[
        "last first",
        "last name first",
        "last name first name",
        "lastname firstname",
        "surname first name",
        "apellido nombre",
        "apellidos nombre",
        "apellidos nombres",
        "apellidos y nombre",
        "apellidos y nombres",
        "apellido y nombre",
    ];

    fn of_head(head: &str) -> Option<Self> {
        let head = folded(head);
        Self::HEADS
            .iter()
            .find(|(_, heads)| heads.contains(&head.as_str()))
            .map(|(field, _)| *field)
    }
}

/// In which order day and month stand when both could be either.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DateOrder {
    /// Only dates that can be read in one way are taken.
    #[default]
    Unsaid,
    /// 12/31/2026.
    Mdy,
    /// 31/12/2026.
    Dmy,
}

/// A mapping file: which column holds what, and how the file is written.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mapping {
    /// The heads of the columns that hold a field; several are joined.
    #[serde(default)]
    pub columns: BTreeMap<Field, Heads>,
    /// The sign between the cells.
    pub delimiter: Option<char>,
    /// The encoding, by its WHATWG name: "utf-8", "windows-1252".
    pub encoding: Option<String>,
    /// The order of day and month.
    #[serde(default)]
    pub dates: DateOrder,
}

/// One head or several.
#[derive(Clone, Debug, Deserialize)]
#[serde(untagged)]
pub enum Heads {
    /// One.
    One(String),
    /// Several, joined in this order.
    Several(Vec<String>),
}

impl Heads {
    fn list(&self) -> &[String] {
        match self {
            Self::One(head) => std::slice::from_ref(head),
            Self::Several(heads) => heads,
        }
    }
}

/// How files of spreadsheet programs begin: a zip (ISO/IEC 29500, ISO/IEC 26300) or a compound file ([MS-CFB] 2.2).
const SHEETS: [&[u8]; 2] = [b"PK\x03\x04", b"\xD0\xCF\x11\xE0\xA1\xB1\x1A\xE1"];

/// Why a list cannot be read at all.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ListError {
    /// Nothing is in it.
    #[error("the list is empty")]
    Empty,
    /// A file of a spreadsheet program, which is no text.
    #[error("the list is a file of a spreadsheet program, not text")]
    Sheet,
    /// More cells or lines than are read.
    #[error("the list has more than {MOST_CELLS} cells or {MOST_LINES} lines")]
    TooManyCells,
    /// No encoding of this name.
    #[error("no encoding is called {0}")]
    UnknownEncoding(String),
    /// Bytes that do not fit the encoding.
    #[error("the text is not valid {0}")]
    NotText(&'static str),
    /// No line looks like column heads.
    #[error("no column says whose tank it is; the first line reads {0}")]
    NoHeads(String),
    /// The mapping names a head that is not there.
    #[error("the mapping names the column {0}, which the list does not have")]
    NoSuchColumn(String),
    /// Two columns say the same thing.
    #[error("the columns {0} and {1} both say {2}")]
    TwoColumns(String, String, &'static str),
}

/// Why one value, and with it its row, is refused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reason {
    /// Neither name, customer nor address.
    Nobody,
    /// The sum of a column, which is no customer.
    Total,
    /// More cells than heads: heads, cells.
    TooManyCells(usize, usize),
    /// The same as an earlier row: its line.
    SameAs(u64),
    /// Says other things about the site of an earlier row: its line.
    Contradicts(u64),
    /// Day and month could be either way round.
    AmbiguousDate(String),
    /// A year of two digits.
    ShortYear(String),
    /// A day as the number a spreadsheet counts it by.
    DayNumber(String),
    /// Not a date.
    NotADate(String),
    /// A pump-out after today.
    InTheFuture(String),
    /// Not a number.
    NotANumber(&'static str, String),
    /// A number no such thing has.
    OutOfRange(&'static str, String),
    /// Latitude without longitude, or the other way round.
    HalfAPosition,
    /// Latitude and longitude both zero.
    NullPosition,
    /// Neither yes nor no.
    NotYesOrNo(String),
    /// A language the program does not speak.
    UnknownLanguage(String),
    /// Signs that belong to no text.
    NotText,
    /// A quotation mark that opens a cell and is not closed where the cell ends.
    LooseQuote,
}

/// One row that can be taken.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ListRow {
    /// The line it begins on.
    pub line: u64,
    /// The site's id, made from the row's key.
    pub id: Uuid,
    /// What the crew calls the site.
    pub name: String,
    /// The customer.
    pub customer: String,
    /// Street address.
    pub address: String,
    /// Town.
    pub town: String,
    /// Telephone.
    pub phone: String,
    /// Language.
    pub language: Option<Language>,
    /// Residents, tenths of a person.
    pub residents_tenths: Option<i64>,
    /// Grinder.
    pub grinder: Option<bool>,
    /// Position in 1e-7 degrees, latitude first.
    pub position_e7: Option<(i64, i64)>,
    /// What the tank holds, millilitres.
    pub tank_ml: Option<i64>,
    /// The last pump-out.
    pub last_pumped: Option<NaiveDate>,
    /// When it is due.
    pub due: Option<NaiveDate>,
    /// When it was permitted.
    pub permit: Option<NaiveDate>,
    /// Note.
    pub note: String,
}

/// One row that is refused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefusedRow {
    /// The line it begins on.
    pub line: u64,
    /// Why.
    pub reasons: Vec<Reason>,
    /// Its cells as read.
    pub cells: Vec<String>,
}

/// A list, read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CustomerList {
    /// The encoding it was read in.
    pub encoding: &'static str,
    /// The sign between the cells.
    pub delimiter: char,
    /// The heads.
    pub heads: Vec<String>,
    /// Which column was taken for what.
    pub used: Vec<(Field, Vec<String>)>,
    /// Columns that were not taken for anything.
    pub unused: Vec<String>,
    /// Rows that can be taken.
    pub rows: Vec<ListRow>,
    /// Rows that are refused.
    pub refused: Vec<RefusedRow>,
    /// Rows with fewer cells than heads, whose missing cells were taken as empty.
    pub short_rows: usize,
}

/// Takes the accent of Spanish and its neighbours off a small letter.
#[must_use]
pub const fn without_accent(letter: char) -> char {
    match letter {
        'á' | 'à' | 'â' | 'ä' | 'ã' | 'å' => 'a',
        'é' | 'è' | 'ê' | 'ë' => 'e',
        'í' | 'ì' | 'î' | 'ï' => 'i',
        'ó' | 'ò' | 'ô' | 'ö' | 'õ' | 'º' => 'o',
        'ú' | 'ù' | 'û' | 'ü' => 'u',
        'ñ' => 'n',
        'ç' => 'c',
        other => other,
    }
}

/// Lower case without accents, signs as single blanks: what two spellings of one thing have in common.
#[must_use]
pub fn folded(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for plain in text.chars().flat_map(char::to_lowercase).map(without_accent) {
        if plain.is_alphanumeric() {
            out.push(plain);
        } else if !matches!(plain, '\'' | '’' | '.' | '\u{300}'..='\u{36f}') && !out.ends_with(' ') && !out.is_empty()
        {
            out.push(' ');
        }
    }
    out.truncate(out.trim_end().len());
    out
}

/// Turns the bytes of a file into text; returns the encoding's name with it.
fn decoded(bytes: &[u8], asked: Option<&str>) -> Result<(String, &'static str), ListError> {
    let encoding = if let Some((encoding, _)) = Encoding::for_bom(bytes) {
        encoding
    } else if let Some(label) = asked {
        Encoding::for_label(label.as_bytes()).ok_or_else(|| ListError::UnknownEncoding(label.to_owned()))?
    } else if let Some(encoding) = utf16_without_mark(bytes) {
        encoding
    } else if std::str::from_utf8(bytes).is_ok() {
        encoding_rs::UTF_8
    } else {
        let mut detector = chardetng::EncodingDetector::new(chardetng::Iso2022JpDetection::Deny);
        detector.feed(bytes, true);
        detector.guess(None, chardetng::Utf8Detection::Deny)
    };
    let (text, encoding, had_errors) = encoding.decode(bytes);
    if had_errors {
        return Err(ListError::NotText(encoding.name()));
    }
    Ok((text.into_owned(), encoding.name()))
}

/// Every other byte of plain western text in UTF-16 is zero.
fn utf16_without_mark(bytes: &[u8]) -> Option<&'static Encoding> {
    let sample = bytes.get(..bytes.len().min(4_096)).unwrap_or_default();
    let zeros = |first: usize| sample.iter().skip(first).step_by(2).filter(|byte| **byte == 0).count();
    let most = sample.len() / 2;
    if most < 4 {
        None
    } else if zeros(1) * 10 > most * 8 {
        Some(encoding_rs::UTF_16LE)
    } else if zeros(0) * 10 > most * 8 {
        Some(encoding_rs::UTF_16BE)
    } else {
        None
    }
}

struct Record {
    line: u64,
    cells: Vec<String>,
    /// A quotation mark in it opens a cell and does not close it where the cell ends, so that nobody can say which lines
    /// belong to it.
    has_loose_quote: bool,
}

fn records(text: &str, delimiter: u8, most: usize) -> Vec<Record> {
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .has_headers(false)
        .flexible(true)
        .from_reader(text.as_bytes());
    let starts = line_starts(text);
    let loose = loose_quotes(text, delimiter);
    let mut list = Vec::new();
    let mut record = csv::StringRecord::new();
    // Text in memory, already decoded: reading it cannot fail.
    while list.len() < most && reader.read_record(&mut record).unwrap_or(false) {
        let from = record.position().map_or(0, csv::Position::byte);
        let within = from..reader.position().byte();
        let first_loose = loose.partition_point(|at| *at < from);
        list.push(Record {
            line: line_of(text, &starts, from),
            cells: record.iter().map(|cell| unguarded(cell).to_owned()).collect(),
            has_loose_quote: loose.get(first_loose).is_some_and(|at| within.contains(at)),
        });
    }
    list
}

/// Where quotation marks open a cell (RFC 4180, 2.5) that goes on after it has been closed, or is never closed.
fn loose_quotes(text: &str, delimiter: u8) -> Vec<u64> {
    let mut loose = Vec::new();
    let mut bytes = text.bytes().zip(0_u64..).peekable();
    let ends_cell = |byte: u8| byte == delimiter || matches!(byte, b'\r' | b'\n');
    let mut at_start = true;
    while let Some((byte, at)) = bytes.next() {
        if !(at_start && byte == b'"') {
            at_start = ends_cell(byte);
            continue;
        }
        at_start = false;
        let is_closed = loop {
            match bytes.next().map(|(byte, _)| byte) {
                // Two of them are one inside the cell.
                Some(b'"') if bytes.next_if(|(next, _)| *next == b'"').is_some() => {}
                Some(b'"') => break bytes.peek().is_none_or(|(next, _)| ends_cell(*next)),
                Some(_) => {}
                None => break false,
            }
        };
        if !is_closed {
            loose.push(at);
        }
    }
    loose
}

/// The byte each line begins at, whatever ends the lines.
fn line_starts(text: &str) -> Vec<usize> {
    let bytes = text.as_bytes();
    let mut starts = vec![0];
    for (at, byte) in bytes.iter().enumerate() {
        if *byte == b'\n' || (*byte == b'\r' && bytes.get(at + 1) != Some(&b'\n')) {
            starts.push(at + 1);
        }
    }
    starts
}

/// The line a record begins on: its position may stand at the blank lines before it.
fn line_of(text: &str, starts: &[usize], from: u64) -> u64 {
    let from = usize::try_from(from).unwrap_or(usize::MAX).min(text.len());
    let blank = text
        .as_bytes()
        .get(from..)
        .unwrap_or_default()
        .iter()
        .take_while(|byte| matches!(byte, b'\r' | b'\n'))
        .count();
    let line = starts.partition_point(|start| *start <= from + blank);
    u64::try_from(line).unwrap_or(u64::MAX)
}

/// Which record holds the heads under this delimiter, and how many of them are known.
fn heads_at(records: &[Record], wanted: &[String]) -> Option<(usize, usize)> {
    records
        .iter()
        .take(MOST_TITLES)
        .enumerate()
        .map(|(index, record)| {
            let known = record
                .cells
                .iter()
                .filter(|cell| Field::of_head(cell).is_some() || is_last_first(cell) || wanted.contains(&folded(cell)))
                .count();
            (index, known)
        })
        // The first of the best: a row of data may hold the word "Calle" too.
        .rev()
        .max_by_key(|(_, known)| *known)
        .filter(|(_, known)| *known > 0)
}

/// Reads a customer list.
///
/// # Errors
/// [`ListError`] when nothing can be read from it at all.
pub fn read(bytes: &[u8], mapping: &Mapping, today: NaiveDate) -> Result<CustomerList, ListError> {
    if SHEETS.iter().any(|start| bytes.starts_with(start)) {
        return Err(ListError::Sheet);
    }
    let (text, encoding) = decoded(bytes, mapping.encoding.as_deref())?;
    if text.trim().is_empty() {
        return Err(ListError::Empty);
    }
    let wanted = mapping
        .columns
        .values()
        .flat_map(|heads| heads.list().iter().map(|head| folded(head)))
        .collect::<Vec<_>>();
    // Some spreadsheets say their own delimiter in a first line.
    let said = text
        .lines()
        .next()
        .and_then(|line| line.trim().strip_prefix("sep="))
        .and_then(|rest| rest.chars().next());
    let candidates = match mapping.delimiter.or(said) {
        Some(one) => vec![one],
        None => vec![',', ';', '\t', '|'],
    };
    // Each cell and each row takes more memory than it has bytes in the file.
    let lines = text.bytes().filter(|byte| *byte == b'\n').count();
    let lines = lines.max(text.bytes().filter(|byte| *byte == b'\r').count());
    if lines > MOST_LINES {
        return Err(ListError::TooManyCells);
    }
    let cells = |delimiter: char| text.chars().filter(|c| *c == delimiter).count() + lines;
    let candidates = candidates
        .into_iter()
        .filter(|delimiter| cells(*delimiter) <= MOST_CELLS)
        .collect::<Vec<_>>();
    if candidates.is_empty() {
        return Err(ListError::TooManyCells);
    }
    let best = candidates
        .into_iter()
        .filter_map(|delimiter| {
            let list = records(&text, u8::try_from(delimiter).ok()?, MOST_TITLES);
            let (_, known) = heads_at(&list, &wanted)?;
            Some((delimiter, known))
        })
        .reduce(|best, next| if next.1 > best.1 { next } else { best });
    let no_heads = || ListError::NoHeads(text.lines().next().unwrap_or_default().chars().take(120).collect());
    let (delimiter, _) = best.ok_or_else(no_heads)?;
    let mut records = records(&text, u8::try_from(delimiter).map_err(|_| no_heads())?, usize::MAX);
    let (at, _) = heads_at(&records, &wanted).ok_or_else(no_heads)?;
    let data = records.split_off(at + 1);
    let heads = records.pop().ok_or_else(no_heads)?.cells;
    let heads = heads.iter().map(|head| head.trim().to_owned()).collect::<Vec<_>>();
    let used = columns(&heads, mapping)?;
    let whose = [Field::Name, Field::Customer, Field::LastName, Field::Address];
    if !used.keys().any(|field| whose.contains(field)) {
        return Err(no_heads());
    }
    let mut list = CustomerList {
        encoding,
        delimiter,
        unused: heads
            .iter()
            .enumerate()
            .filter(|(index, head)| !head.is_empty() && !used.values().flatten().any(|used| used == index))
            .map(|(_, head)| head.clone())
            .collect(),
        used: used
            .iter()
            .map(|(field, columns)| {
                let named = columns.iter().filter_map(|index| heads.get(*index).cloned()).collect();
                (*field, named)
            })
            .collect(),
        heads,
        ..CustomerList::default()
    };
    take(data, &used, mapping.dates, today, &mut list);
    Ok(list)
}

/// Finds the column or columns of each field: as the mapping says, otherwise by their heads.
fn columns(heads: &[String], mapping: &Mapping) -> Result<BTreeMap<Field, Vec<usize>>, ListError> {
    let mut used = BTreeMap::<Field, Vec<usize>>::new();
    for (field, wanted) in &mapping.columns {
        for head in wanted.list() {
            let index = heads
                .iter()
                .position(|own| folded(own) == folded(head))
                .ok_or_else(|| ListError::NoSuchColumn(head.clone()))?;
            used.entry(*field).or_default().push(index);
        }
    }
    let mapped = used.values().flatten().copied().collect::<Vec<_>>();
    for (index, head) in heads.iter().enumerate() {
        let Some(field) =
            Field::of_head(head).filter(|field| !mapped.contains(&index) && !mapping.columns.contains_key(field))
        else {
            continue;
        };
        let columns = used.entry(field).or_default();
        if let Some(first) = columns.first().and_then(|first| heads.get(*first)) {
            // Notes and telephones may stand in several columns; anything else would have to be guessed.
            if !matches!(field, Field::Note | Field::Phone) {
                return Err(ListError::TwoColumns(first.clone(), head.clone(), field.word()));
            }
        }
        columns.push(index);
    }
    let whole = [Field::Customer, Field::FirstName, Field::LastName];
    if !whole.iter().any(|field| used.contains_key(field))
        && let Some(index) = heads.iter().position(|head| is_last_first(head))
        && !mapped.contains(&index)
    {
        used.insert(Field::Customer, vec![index]);
    }
    Ok(used)
}

fn is_last_first(head: &str) -> bool {
    Field::LAST_FIRST.contains(&folded(head).as_str())
}

/// Whether a cell says that its row is a sum: "Total", "Grand total: 45", "Total general".
fn is_total(cell: &str) -> bool {
    let folded = folded(cell);
    let words = folded.split(' ').collect::<Vec<_>>();
    let sum = |word: &&str| {
        matches!(
            *word,
            "total" | "totals" | "totales" | "subtotal" | "subtotals" | "subtotales" | "sum" | "suma"
        )
    };
    let beside = |word: &&str| {
        word.chars().all(|c| c.is_ascii_digit())
            || matches!(
                *word,
                "grand"
                    | "general"
                    | "generales"
                    | "sub"
                    | "of"
                    | "de"
                    | "customers"
                    | "clientes"
                    | "rows"
                    | "filas"
                    | "gal"
                    | "gallons"
                    | "galones"
                    | "l"
                    | "litres"
                    | "liters"
                    | "litros"
            )
    };
    words.iter().any(sum) && words.iter().all(|word| sum(word) || beside(word))
}

/// What a column's numbers say of their decimal sign, where they all agree.
fn decimal_sign<'a>(cells: impl Iterator<Item = &'a str>) -> Option<char> {
    let mut found = None;
    for sign in cells.filter_map(sign_of) {
        if found.is_some_and(|other| other != sign) {
            return None;
        }
        found = Some(sign);
    }
    found
}

/// The decimal sign of one number, with or without a unit behind it, where it can be told from this one alone.
fn sign_of(cell: &str) -> Option<char> {
    let text = cell.replace(['\u{a0}', '\u{202f}', ' '], "");
    let digits = text.trim_start_matches(['-', '+']);
    let end = digits
        .find(|c: char| !(c.is_ascii_digit() || ".,".contains(c)))
        .unwrap_or(digits.len());
    let digits = digits.get(..end)?.trim_end_matches(['.', ',']);
    let other = |sign: char| if sign == '.' { ',' } else { '.' };
    let last = digits
        .rfind(['.', ','])
        .and_then(|at| digits.get(at..)?.chars().next())?;
    match (digits.matches(last).count(), digits.contains(other(last))) {
        (1, true) => Some(last),
        (1, false) => {
            let (whole, rest) = digits.split_once(last)?;
            let could_be_thousands = rest.len() == 3 && (1..=3).contains(&whole.len()) && whole != "0";
            (!could_be_thousands).then_some(last)
        }
        // What stands there several times sets thousands apart.
        (_, false) => Some(other(last)),
        (_, true) => None,
    }
}

/// Sorts the rows into those that can be taken and those that are refused.
fn take(
    data: Vec<Record>,
    used: &BTreeMap<Field, Vec<usize>>,
    dates: DateOrder,
    today: NaiveDate,
    list: &mut CustomerList,
) {
    let mut seen = HashMap::<Uuid, (u64, ListRow)>::new();
    let signs = [Field::Residents, Field::TankGallons, Field::TankLitres]
        .into_iter()
        .filter_map(|field| {
            let columns = used.get(&field)?;
            let cells = data
                .iter()
                .flat_map(|record| columns.iter().filter_map(|index| record.cells.get(*index)));
            Some((field, decimal_sign(cells.map(String::as_str))?))
        })
        .collect::<BTreeMap<_, _>>();
    for record in data {
        if record.cells.iter().all(|cell| cell.trim().is_empty()) {
            continue;
        }
        let filled = record
            .cells
            .iter()
            .rposition(|cell| !cell.trim().is_empty())
            .map_or(0, |last| last + 1);
        let mut reasons = Vec::new();
        if filled > list.heads.len() {
            reasons.push(Reason::TooManyCells(list.heads.len(), record.cells.len()));
        }
        if record.cells.iter().any(|cell| cell.contains(['\u{0}', '\u{fffd}'])) {
            reasons.push(Reason::NotText);
        }
        if record.has_loose_quote {
            reasons.push(Reason::LooseQuote);
        }
        let row = Reading {
            record: &record,
            used,
            signs: &signs,
            dates,
            today,
        }
        .row(&mut reasons);
        if reasons.is_empty() {
            match seen.get(&row.id) {
                Some((line, earlier)) if same_facts(earlier, &row) => reasons.push(Reason::SameAs(*line)),
                Some((line, _)) => reasons.push(Reason::Contradicts(*line)),
                None => {}
            }
        }
        if reasons.is_empty() {
            list.short_rows += usize::from(record.cells.len() < list.heads.len());
            seen.insert(row.id, (record.line, row.clone()));
            list.rows.push(row);
        } else {
            list.refused.push(RefusedRow {
                line: record.line,
                reasons,
                cells: record.cells,
            });
        }
    }
}

fn same_facts(a: &ListRow, b: &ListRow) -> bool {
    *a == ListRow {
        line: a.line,
        ..b.clone()
    }
}

struct Reading<'a> {
    record: &'a Record,
    used: &'a BTreeMap<Field, Vec<usize>>,
    /// The decimal sign of a column, where its cells agree.
    signs: &'a BTreeMap<Field, char>,
    dates: DateOrder,
    today: NaiveDate,
}

impl Reading<'_> {
    /// The text of a field: its columns joined, each line trimmed.
    fn text(&self, field: Field) -> String {
        let joint = if matches!(field, Field::Note | Field::Phone) {
            "; "
        } else {
            " "
        };
        self.used
            .get(&field)
            .into_iter()
            .flatten()
            .filter_map(|index| self.record.cells.get(*index))
            .map(|cell| cell.split_whitespace().collect::<Vec<_>>().join(" "))
            .filter(|cell| !cell.is_empty() && !is_nothing(cell))
            .collect::<Vec<_>>()
            .join(joint)
    }

    fn row(&self, reasons: &mut Vec<Reason>) -> ListRow {
        let mut customer = self.text(Field::Customer);
        if customer.is_empty() {
            let both = format!("{} {}", self.text(Field::FirstName), self.text(Field::LastName));
            both.trim().clone_into(&mut customer);
        }
        let (name, address, town) = (
            self.text(Field::Name),
            self.text(Field::Address),
            self.text(Field::Town),
        );
        let shown = [&name, &address, &customer]
            .into_iter()
            .find(|text| !text.is_empty())
            .cloned()
            .unwrap_or_default();
        let first = self.record.cells.iter().find(|cell| !cell.trim().is_empty());
        let is_sum = [&name, &customer].into_iter().chain(first).any(|cell| is_total(cell));
        if is_sum && address.is_empty() && self.text(Field::Phone).is_empty() {
            reasons.push(Reason::Total);
            return ListRow::default();
        }
        if shown.is_empty() {
            reasons.push(Reason::Nobody);
        }
        let own = self.text(Field::Id);
        let key = if own.is_empty() {
            format!(
                "{}\u{1f}{}\u{1f}{}\u{1f}{}",
                folded(&name),
                folded(&address),
                folded(&town),
                folded(&customer)
            )
        } else {
            format!("id\u{1f}{own}")
        };
        let last_pumped = self.date(Field::LastPumped, reasons);
        if let Some(day) = last_pumped.filter(|day| *day > self.today) {
            reasons.push(Reason::InTheFuture(day.to_string()));
        }
        ListRow {
            line: self.record.line,
            id: Uuid::new_v5(&NAMESPACE, key.as_bytes()),
            name: shown,
            customer,
            address,
            town,
            phone: self.text(Field::Phone),
            language: self.language(reasons),
            residents_tenths: self
                .number(Field::Residents, "residents", (0.0, 500.0), reasons)
                .and_then(|people| round_to_i64(people * 10.0)),
            grinder: self.yes_or_no(reasons),
            position_e7: self.position(reasons),
            tank_ml: self.tank_ml(reasons),
            last_pumped,
            due: self.date(Field::Due, reasons),
            permit: self.date(Field::Permit, reasons),
            note: self.text(Field::Note),
        }
    }

    fn number(
        &self,
        field: Field,
        what: &'static str,
        (least, most): (f64, f64),
        reasons: &mut Vec<Reason>,
    ) -> Option<f64> {
        let text = self.text(field);
        if text.is_empty() {
            return None;
        }
        // Degrees never reach a thousand: a comma in them is always the decimal sign.
        let is_degrees = matches!(field, Field::Latitude | Field::Longitude) && !text.contains('.');
        let read = if is_degrees {
            number(&text.replacen(',', ".", 1), None)
        } else {
            number(&text, self.signs.get(&field).copied())
        };
        match read {
            Some(value) if (least..=most).contains(&value) => Some(value),
            Some(_) => {
                reasons.push(Reason::OutOfRange(what, text));
                None
            }
            None => {
                reasons.push(Reason::NotANumber(what, text));
                None
            }
        }
    }

    fn tank_ml(&self, reasons: &mut Vec<Reason>) -> Option<i64> {
        // Sizes outside 50 to 100,000 gallons are no septic tanks but slipped keys; common practice.
        let most = 100_000.0;
        let gallons = self.text(Field::TankGallons);
        let (text, factor, field) = if gallons.is_empty() {
            (self.text(Field::TankLitres), 1.0, Field::TankLitres)
        } else {
            (gallons, LITRES_PER_US_GALLON, Field::TankGallons)
        };
        if text.is_empty() {
            return None;
        }
        let lower = text.to_lowercase();
        let lower = lower.trim_end_matches('.');
        let (figure, factor) = [
            ("gallons", LITRES_PER_US_GALLON),
            ("galones", LITRES_PER_US_GALLON),
            ("gals", LITRES_PER_US_GALLON),
            ("gal", LITRES_PER_US_GALLON),
            ("litres", 1.0),
            ("liters", 1.0),
            ("litros", 1.0),
            ("lts", 1.0),
            ("lt", 1.0),
            ("l", 1.0),
            ("m3", LITRES_PER_CUBIC_METRE),
            ("m³", LITRES_PER_CUBIC_METRE),
        ]
        .into_iter()
        .find_map(|(unit, factor)| Some((lower.strip_suffix(unit)?.trim(), factor)))
        .unwrap_or((lower, factor));
        // As its column writes numbers; where that leaves it open or cannot be true, in the way that can.
        let signs = [self.signs.get(&field).copied(), None, Some('.'), Some(',')];
        let readings = signs
            .into_iter()
            .filter_map(|sign| number(figure, sign))
            .collect::<Vec<_>>();
        let is_true =
            |value: &&f64| (50.0 * LITRES_PER_US_GALLON..=most * LITRES_PER_US_GALLON).contains(&(*value * factor));
        if let Some(value) = readings.iter().find(is_true) {
            return round_to_i64(value * factor * 1_000.0);
        }
        reasons.push(if readings.is_empty() {
            Reason::NotANumber("tank size", text)
        } else {
            Reason::OutOfRange("tank size", text)
        });
        None
    }

    fn position(&self, reasons: &mut Vec<Reason>) -> Option<(i64, i64)> {
        let before = reasons.len();
        let lat = self.number(Field::Latitude, "latitude", (-90.0, 90.0), reasons);
        let lon = self.number(Field::Longitude, "longitude", (-180.0, 180.0), reasons);
        if reasons.len() > before {
            return None;
        }
        match (lat, lon) {
            (None, None) => None,
            (Some(lat), Some(lon)) if lat == 0.0 && lon == 0.0 => {
                reasons.push(Reason::NullPosition);
                None
            }
            (Some(lat), Some(lon)) => round_to_i64(lat * 1e7).zip(round_to_i64(lon * 1e7)),
            _ => {
                reasons.push(Reason::HalfAPosition);
                None
            }
        }
    }

    fn yes_or_no(&self, reasons: &mut Vec<Reason>) -> Option<bool> {
        let text = self.text(Field::Grinder);
        match folded(&text).as_str() {
            "" => None,
            "yes" | "y" | "si" | "s" | "true" | "x" | "1" => Some(true),
            "no" | "n" | "false" | "0" => Some(false),
            _ => {
                reasons.push(Reason::NotYesOrNo(text));
                None
            }
        }
    }

    fn language(&self, reasons: &mut Vec<Reason>) -> Option<Language> {
        let text = self.text(Field::Language);
        match folded(&text).as_str() {
            "" => None,
            "en" | "eng" | "english" | "ingles" => Some(Language::English),
            "es" | "esp" | "spa" | "sp" | "spanish" | "espanol" | "castellano" => Some(Language::Spanish),
            _ => {
                reasons.push(Reason::UnknownLanguage(text));
                None
            }
        }
    }

    fn date(&self, field: Field, reasons: &mut Vec<Reason>) -> Option<NaiveDate> {
        let text = self.text(field);
        // A day that never was is no day, as people write it and as programs fill it in.
        if text.is_empty() || matches!(folded(&text).as_str(), "never" | "nunca") || is_day_zero(&text) {
            return None;
        }
        match date(&text, self.dates) {
            Ok(date) => Some(date),
            Err(reason) => {
                reasons.push(reason);
                None
            }
        }
    }
}

/// `0000-00-00`, which database programs write where there is no date.
fn is_day_zero(text: &str) -> bool {
    let day = text.split_once(['T', ' ']).map_or(text, |(day, _)| day);
    day.len() >= 8 && day.chars().all(|c| matches!(c, '0' | '-' | '/' | '.'))
}

/// What people type when there is nothing to type.
fn is_nothing(cell: &str) -> bool {
    matches!(
        cell.to_lowercase().as_str(),
        "-" | "--" | "n/a" | "na" | "none" | "null" | "?" | "unknown" | "desconocido" | "ninguno" | "s/d"
    )
}

/// Litres in a cubic metre, exact (NIST SP 811, table 6: 1 L = 1e-3 m³).
const LITRES_PER_CUBIC_METRE: f64 = 1_000.0;

/// A number whose decimal sign is known: the other sign sets thousands apart.
fn plain_with(text: &str, sign: char) -> Option<String> {
    let other = if sign == '.' { ',' } else { '.' };
    let (whole, rest) = text.split_once(sign).unwrap_or((text, ""));
    let mut groups = whole.trim_start_matches(['-', '+']).split(other);
    let first = groups.next()?;
    let is_grouped = whole.contains(other);
    let fits = !is_grouped || ((1..=3).contains(&first.len()) && groups.all(|group| group.len() == 3));
    (fits && !rest.contains(['.', ','])).then(|| format!("{}.{rest}", whole.replace(other, "")))
}

/// Reads a number: thousands in threes, and as decimal sign the one given, otherwise point or comma; then `1,234` is a
/// thousand and more.
fn number(text: &str, sign: Option<char>) -> Option<f64> {
    let text = text.trim().trim_end_matches('°').trim();
    let text = text.replace(['\u{a0}', '\u{202f}', ' '], "");
    let digits = text.strip_prefix(['-', '+']).unwrap_or(&text);
    if digits.is_empty() || !digits.chars().all(|c| c.is_ascii_digit() || ".,".contains(c)) {
        return None;
    }
    let finite = |plain: String| plain.parse::<f64>().ok().filter(|value| value.is_finite());
    if let Some(plain) = sign.and_then(|sign| plain_with(&text, sign)) {
        return finite(plain);
    }
    let (points, commas) = (digits.matches('.').count(), digits.matches(',').count());
    let threes = |sign: char| {
        let mut parts = digits.split(sign);
        let first = parts.next().unwrap_or_default();
        (1..=3).contains(&first.len()) && first != "0" && parts.all(|part| part.len() == 3)
    };
    let plain = match (points, commas) {
        (_, 0) if points <= 1 => text.clone(),
        (0, 1) if threes(',') => text.replace(',', ""),
        (0, 1) => text.replace(',', "."),
        (0, _) if threes(',') => text.replace(',', ""),
        (_, 0) if threes('.') => text.replace('.', ""),
        // Both signs: the last one is the decimal sign, the other one sets thousands apart.
        (1, _) if digits.rfind(',') < digits.find('.') => text.replace(',', ""),
        (_, 1) if digits.rfind('.') < digits.find(',') => text.replace('.', "").replace(',', "."),
        _ => return None,
    };
    finite(plain)
}

const MONTHS: [(&str, u32); 36] = [
    ("january", 1),
    ("february", 2),
    ("march", 3),
    ("april", 4),
    ("may", 5),
    ("june", 6),
    ("july", 7),
    ("august", 8),
    ("september", 9),
    ("october", 10),
    ("november", 11),
    ("december", 12),
    ("enero", 1),
    ("febrero", 2),
    ("marzo", 3),
    ("abril", 4),
    ("mayo", 5),
    ("junio", 6),
    ("julio", 7),
    ("agosto", 8),
    ("septiembre", 9),
    ("octubre", 10),
    ("noviembre", 11),
    ("diciembre", 12),
    ("setiembre", 9),
    ("ene", 1),
    ("abr", 4),
    ("ago", 8),
    ("dic", 12),
    ("sept", 9),
    ("jan", 1),
    ("apr", 4),
    ("aug", 8),
    ("dec", 12),
    ("set", 9),
    ("oct", 10),
];

fn month_named(word: &str) -> Option<u32> {
    let word = folded(word);
    MONTHS
        .iter()
        .find(|(name, _)| *name == word || (word.len() == 3 && name.starts_with(&word)))
        .map(|(_, month)| *month)
}

/// Reads a date written in any way that can mean one day only.
///
/// A month and a year, or a year, is the first day of it.
///
/// # Errors
/// Why it cannot be told which day is meant.
pub fn date(text: &str, order: DateOrder) -> Result<NaiveDate, Reason> {
    let no = || Reason::NotADate(text.to_owned());
    // A spreadsheet's midnight is no part of the date.
    let day = text
        .split_once(['T', ' '])
        .filter(|(_, rest)| rest.contains(':'))
        .map_or(text, |(day, _)| day)
        .trim();
    let parts = day
        .split(|c: char| !c.is_alphanumeric())
        .filter(|part| !part.is_empty() && !matches!(folded(part).as_str(), "de" | "del" | "of"))
        .collect::<Vec<_>>();
    let whole = |part: &str| part.parse::<u32>().ok().filter(|_| part.len() <= 4);
    let whole_day = |part: &str| part.parse::<u32>().ok().filter(|_| part.len() == 5);
    let ordinal = |part: &str| {
        let digits = part.trim_end_matches(|c: char| c.is_alphabetic() || c == 'º');
        whole(digits).filter(|_| digits.len() <= 2)
    };
    let long_year = |part: &str| {
        whole(part)
            .filter(|_| part.len() == 4)
            .and_then(|y| i32::try_from(y).ok())
    };
    let made = |year: i32, month: u32, day: u32| {
        NaiveDate::from_ymd_opt(year, month, day)
            .filter(|date| (1900..=2200).contains(&date.year()))
            .ok_or_else(no)
    };
    match parts.as_slice() {
        [one] if one.len() == 8 && one.chars().all(|c| c.is_ascii_digit()) => NaiveDate::parse_from_str(one, "%Y%m%d")
            .ok()
            .filter(|date| (1900..=2200).contains(&date.year()))
            .ok_or_else(no),
        // Days since 1900, as a spreadsheet counts them: from 1927 to 2173.
        [one] if whole_day(one).is_some_and(|number| (10_000..=99_999).contains(&number)) => {
            Err(Reason::DayNumber(text.to_owned()))
        }
        [one] => made(long_year(one).ok_or_else(no)?, 1, 1),
        [first, second] => {
            // A month and a year, either way round, the month as a word or a number.
            if let (Some(year), Some(month)) = (long_year(first), month_named(second).or_else(|| whole(second))) {
                made(year, month, 1)
            } else if let (Some(year), Some(month)) = (long_year(second), month_named(first).or_else(|| whole(first))) {
                made(year, month, 1)
            } else {
                Err(no())
            }
        }
        [first, second, third] => {
            if let Some(year) = long_year(first) {
                let month = month_named(second).or_else(|| whole(second)).ok_or_else(no)?;
                return made(year, month, ordinal(third).ok_or_else(no)?);
            }
            let Some(year) = long_year(third) else {
                let is_short = third.len() == 2 && whole(third).is_some();
                return Err(if is_short {
                    Reason::ShortYear(text.to_owned())
                } else {
                    no()
                });
            };
            if let Some(month) = month_named(first) {
                return made(year, month, ordinal(second).ok_or_else(no)?);
            }
            if let Some(month) = month_named(second) {
                return made(year, month, ordinal(first).ok_or_else(no)?);
            }
            let (a, b) = (whole(first).ok_or_else(no)?, whole(second).ok_or_else(no)?);
            match order {
                DateOrder::Mdy => made(year, a, b),
                DateOrder::Dmy => made(year, b, a),
                DateOrder::Unsaid => match (made(year, a, b), made(year, b, a)) {
                    (Ok(one), Ok(other)) if one != other => Err(Reason::AmbiguousDate(text.to_owned())),
                    (Ok(date), _) | (_, Ok(date)) => Ok(date),
                    (Err(reason), _) => Err(reason),
                },
            }
        }
        _ => Err(no()),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn day(y: i32, m: u32, d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(y, m, d).unwrap()
    }

    #[test]
    fn dates_that_can_mean_one_day_only_are_read_as_that_day() {
        for text in [
            "2022-05-13",
            "2022/5/13",
            "2022.05.13",
            "20220513",
            "5/13/2022",
            "13/5/2022",
            "13.05.2022",
            "May 13, 2022",
            "13 May 2022",
            "13-may-2022",
            "13 de mayo de 2022",
            "May 13th, 2022",
            "2022-05-13 00:00:00",
            "2022-05-13T00:00:00",
            "5/13/2022 0:00",
        ] {
            assert_eq!(date(text, DateOrder::Unsaid), Ok(day(2022, 5, 13)), "{text}");
        }
        for text in ["May 2022", "mayo de 2022", "2022-05", "05/2022"] {
            assert_eq!(date(text, DateOrder::Unsaid), Ok(day(2022, 5, 1)), "{text}");
        }
        assert_eq!(date("2022", DateOrder::Unsaid), Ok(day(2022, 1, 1)));
        assert_eq!(
            date("44694", DateOrder::Unsaid),
            Err(Reason::DayNumber("44694".to_owned()))
        );
        assert_eq!(date("4/4/2022", DateOrder::Unsaid), Ok(day(2022, 4, 4)));
        assert_eq!(date("3/4/2022", DateOrder::Mdy), Ok(day(2022, 3, 4)));
        assert_eq!(date("3/4/2022", DateOrder::Dmy), Ok(day(2022, 4, 3)));
    }

    #[test]
    fn dates_that_could_mean_two_days_or_none_are_refused() {
        let why = |text: &str| date(text, DateOrder::Unsaid).unwrap_err();
        assert_eq!(why("3/4/2022"), Reason::AmbiguousDate("3/4/2022".to_owned()));
        assert_eq!(why("5/13/19"), Reason::ShortYear("5/13/19".to_owned()));
        assert_eq!(why("43595"), Reason::DayNumber("43595".to_owned()));
        for text in [
            "yesterday",
            "2022-13-01",
            "2022-02-30",
            "13/13/2022",
            "0000-01-01",
            "1/2/3/4",
        ] {
            assert_eq!(why(text), Reason::NotADate(text.to_owned()), "{text}");
        }
        assert_eq!(
            date("13/5/2022", DateOrder::Mdy),
            Err(Reason::NotADate("13/5/2022".to_owned()))
        );
    }

    #[test]
    fn numbers_with_either_decimal_sign() {
        for (text, value) in [
            ("1000", 1_000.0),
            ("1,000", 1_000.0),
            ("1,250,000", 1_250_000.0),
            ("1.250.000", 1_250_000.0),
            ("1,234.5", 1_234.5),
            ("1.234,5", 1_234.5),
            ("45,4120", 45.412),
            ("-94.221", -94.221),
            ("2,5", 2.5),
            ("0,125", 0.125),
            (" 12 ", 12.0),
        ] {
            assert!((number(text, None).unwrap() - value).abs() < 1e-9, "{text}");
        }
        for text in ["", "-", "12a", "1,2,3", "1..2", "NaN", "1e5", "1,00,000.5.5"] {
            assert_eq!(number(text, None), None, "{text}");
        }
    }

    proptest! {
        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
            drop(read(&bytes, &Mapping::default(), day(2026, 1, 1)));
        }

        #[test]
        fn no_text_under_known_heads_panics(body in "[\\PC\r\n\",;]{0,300}") {
            let text = format!("name,address,last pumped,gallons,lat,lon\r\n{body}");
            let list = read(text.as_bytes(), &Mapping::default(), day(2026, 1, 1));
            prop_assert!(list.is_ok() || list == Err(ListError::Empty) || list == Err(ListError::Sheet) || matches!(list, Err(ListError::TwoColumns(..) | ListError::NoHeads(_))));
        }
    }
}
