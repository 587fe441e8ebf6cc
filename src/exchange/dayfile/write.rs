//! Writes a day file.
//!
//! The manifest stands first and names the hash of every part, so each part of text is made twice: once to be hashed,
//! once into the file. Nothing is held in memory but one record at a time and the list of ids.

use super::manifest::{Digest, Hashing, MANIFEST, Manifest, Part, SIGNATURE};
use super::sign::SecretKey;
use super::{FORMAT, MOST_BYTES, WriteError, csv, geo, lines};
use crate::domain::record::{DayClose, Disposal, KINDS, Kind, Logged, Record as _, Setup, Stamped, Stop};
use crate::store::carry::{Carry, Place};
use crate::store::{SCHEMA_VERSION, Store};
use chrono::{DateTime, Datelike, FixedOffset, NaiveDate, Timelike};
use std::io::{self, Read, Seek, Write};
use uuid::Uuid;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// A photo that goes along, known by what is in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Blob {
    /// The SHA-256 of its bytes.
    pub sha256: Digest,
    /// Its size.
    pub bytes: u64,
    /// What it is.
    pub media: Media,
}

/// The kinds of photo a day file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Media {
    /// JPEG.
    Jpeg,
    /// PNG.
    Png,
}

impl Media {
    /// Returns the media type.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Jpeg => "image/jpeg",
            Self::Png => "image/png",
        }
    }

    const fn extension(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
        }
    }
}

impl Blob {
    /// Returns the name of its part.
    #[must_use]
    pub fn part_name(&self) -> String {
        format!("photos/{}.{}", self.sha256, self.media.extension())
    }
}

/// Opens a photo for reading.
pub type OpenBlob<'a> = &'a dyn Fn(&Blob) -> io::Result<Box<dyn Read>>;

/// What is to be written.
#[derive(Debug)]
pub struct Order<'a> {
    /// The phone.
    pub phone: Uuid,
    /// What the crew calls the truck; may be empty.
    pub truck: &'a str,
    /// The day.
    pub day: NaiveDate,
    /// The day is not over.
    pub partial: bool,
    /// The file's number and what it follows.
    pub place: &'a Place,
    /// The time now.
    pub created_at: DateTime<FixedOffset>,
    /// The records and actions that go along.
    pub carry: &'a Carry,
    /// The phone's key; without it the file is not signed.
    pub key: Option<&'a SecretKey>,
    /// The photos that go along, each once.
    pub blobs: &'a [Blob],
}

/// Returns the name of a file: the day, the phone and the number, so that no two files of anyone's have one name.
#[must_use]
pub fn file_name(day: NaiveDate, phone: Uuid, sequence: u64) -> String {
    let phone = phone.simple().to_string();
    // The end of an id is its random part; the beginning tells the time, which phones set up together share.
    let short = phone.get(phone.len().saturating_sub(8)..).unwrap_or_default();
    format!("{}-{short}-{sequence}.{}", day.format("%Y-%m-%d"), super::EXTENSION)
}

type Make<'a> = Box<dyn Fn(&mut dyn Write) -> Result<(), WriteError> + 'a>;

struct Text<'a> {
    name: String,
    media_type: &'static str,
    make: Make<'a>,
}

/// Writes the file and returns its manifest, and the output for whoever wants to flush or read it.
///
/// # Errors
/// [`WriteError`]; what has been written so far is of no use then.
pub fn write<W: Write + Seek>(
    store: &Store,
    order: &Order<'_>,
    open: OpenBlob<'_>,
    output: W,
) -> Result<(Manifest, W), WriteError> {
    let texts = texts(store, order)?;
    let mut parts = Vec::with_capacity(texts.len() + order.blobs.len());
    for text in &texts {
        let mut hashing = Hashing::new(io::sink());
        (text.make)(&mut hashing)?;
        parts.push(Part {
            name: text.name.clone(),
            media_type: text.media_type.to_owned(),
            bytes: hashing.bytes,
            sha256: hashing.digest(),
        });
    }
    parts.extend(order.blobs.iter().map(|blob| Part {
        name: blob.part_name(),
        media_type: blob.media.name().to_owned(),
        bytes: blob.bytes,
        sha256: blob.sha256,
    }));
    if parts.iter().map(|part| part.bytes).fold(0, u64::saturating_add) > MOST_BYTES {
        return Err(WriteError::TooLarge);
    }
    let manifest = Manifest {
        format: FORMAT,
        needs: env!("CARGO_PKG_VERSION").to_owned(),
        program: concat!("lidmark ", env!("CARGO_PKG_VERSION")).to_owned(),
        phone: order.phone,
        truck: order.truck.to_owned(),
        day: order.day,
        partial: order.partial,
        sequence: order.place.sequence,
        follows: order.place.follows.as_deref().and_then(Digest::parse),
        created_at: order.created_at,
        book_form: SCHEMA_VERSION,
        key: order.key.map(SecretKey::public),
        parts,
    };
    let mut bytes = serde_json::to_vec_pretty(&manifest)?;
    bytes.push(b'\n');

    let mut zip = ZipWriter::new(UntilItFails {
        output,
        has_failed: false,
    });
    let packed = options(order.created_at).compression_method(CompressionMethod::Deflated);
    // Photos are packed already.
    let stored = packed.compression_method(CompressionMethod::Stored);
    zip.start_file(MANIFEST, packed)?;
    zip.write_all(&bytes)?;
    if let Some(key) = order.key {
        zip.start_file(SIGNATURE, packed)?;
        zip.write_all(format!("{}\n", key.sign(&bytes)).as_bytes())?;
    }
    for text in &texts {
        zip.start_file(&text.name, packed)?;
        (text.make)(&mut zip)?;
    }
    for blob in order.blobs {
        zip.start_file(blob.part_name(), stored)?;
        let mut hashing = Hashing::new(&mut zip);
        // One byte more than was promised is enough to know.
        io::copy(&mut open(blob)?.take(blob.bytes.saturating_add(1)), &mut hashing)?;
        if hashing.bytes != blob.bytes || hashing.digest() != blob.sha256 {
            return Err(WriteError::ChangedBlob(blob.sha256));
        }
    }
    Ok((manifest, zip.finish()?.output))
}

/// An output that is left alone once it has failed: the archive, dropped half made, would go on writing to it.
struct UntilItFails<W> {
    output: W,
    has_failed: bool,
}

impl<W> UntilItFails<W> {
    fn attempt<T>(&mut self, what: impl FnOnce(&mut W) -> io::Result<T>) -> io::Result<T> {
        if self.has_failed {
            return Err(io::Error::other("writing has failed before"));
        }
        let done = what(&mut self.output);
        self.has_failed = done
            .as_ref()
            .is_err_and(|error| error.kind() != io::ErrorKind::Interrupted);
        done
    }
}

impl<W: Write> Write for UntilItFails<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.attempt(|output| output.write(bytes))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.attempt(Write::flush)
    }
}

impl<W: Seek> Seek for UntilItFails<W> {
    fn seek(&mut self, to: io::SeekFrom) -> io::Result<u64> {
        self.attempt(|output| output.seek(to))
    }
}

fn options(at: DateTime<FixedOffset>) -> SimpleFileOptions {
    let options = SimpleFileOptions::default().unix_permissions(0o644);
    let part = |number: u32| u8::try_from(number).unwrap_or(0);
    let stamp = u16::try_from(at.year()).ok().and_then(|year| {
        zip::DateTime::from_date_and_time(
            year,
            part(at.month()),
            part(at.day()),
            part(at.hour()),
            part(at.minute()),
            part(at.second()),
        )
        .ok()
    });
    // A zip knows the years 1980 to 2107; outside of them its entries have no date.
    match stamp {
        Some(stamp) => options.last_modified_time(stamp),
        None => options.last_modified_time(zip::DateTime::default()),
    }
}

/// A phone's own set-up goes along under the phone's name: in every phone's book it has the same id.
fn id_abroad(table: &str, id: Uuid, phone: Uuid) -> Uuid {
    if table == Setup::TABLE { phone } else { id }
}

fn texts<'a>(store: &'a Store, order: &'a Order<'a>) -> Result<Vec<Text<'a>>, WriteError> {
    let (carry, phone) = (order.carry, order.phone);
    let mut list = vec![Text {
        name: "README.txt".to_owned(),
        media_type: "text/plain",
        make: Box::new(move |out| Ok(out.write_all(readme(order).as_bytes())?)),
    }];
    for kind in KINDS.iter().filter(|kind| carry.count(kind.table) > 0) {
        list.push(Text {
            name: lines::part_of(kind),
            media_type: "application/jsonl",
            make: Box::new(move |out| write_records(store, carry, kind, phone, out)),
        });
    }
    list.push(Text {
        name: "log.jsonl".to_owned(),
        media_type: "application/jsonl",
        make: Box::new(move |out| {
            store.each_logged(carry, |logged| -> Result<(), WriteError> {
                let mut logged: Logged = logged.clone();
                for change in &mut logged.op.changes {
                    change.id = id_abroad(change.table, change.id, phone);
                }
                Ok(lines::write_logged(&logged, &mut *out)?)
            })
        }),
    });
    let mut plain = |name: &str, make: Make<'a>| {
        list.push(Text {
            name: name.to_owned(),
            media_type: "text/csv",
            make,
        });
    };
    plain(
        "csv/stops.csv",
        Box::new(move |out| csv::write_stops(store, carry, out)),
    );
    plain(
        "csv/sites.csv",
        Box::new(move |out| csv::write_sites(store, carry, out)),
    );
    plain(
        "csv/loads.csv",
        Box::new(move |out| csv::write_loads(store, carry, out)),
    );
    plain(
        "csv/readings.csv",
        Box::new(move |out| csv::write_readings(store, carry, out)),
    );
    plain(
        "csv/disposals.csv",
        Box::new(move |out| csv::write_disposals(store, carry, out)),
    );
    plain(
        "csv/corrections.csv",
        Box::new(move |out| csv::write_corrections(store, carry, out)),
    );
    plain("csv/work.csv", Box::new(move |out| csv::write_work(store, carry, out)));
    plain(
        "csv/photos.csv",
        Box::new(move |out| csv::write_photos(store, carry, order.blobs, out)),
    );
    for kind in KINDS.iter().filter(|kind| carry.count(kind.table) > 0) {
        let make = move |out: &mut dyn Write| csv::write_kind(store, carry, kind, phone, out);
        plain(&format!("tables/{}.csv", kind.table), Box::new(make));
    }
    list.push(Text {
        name: "map.geojson".to_owned(),
        media_type: "application/geo+json",
        make: Box::new(move |out| geo::write(store, carry, out)),
    });
    let mut signature = |id: Uuid, strokes: &str, name: &str| {
        if let Some(picture) = signature_svg(strokes, name) {
            list.push(Text {
                name: format!("signatures/{id}.svg"),
                media_type: "image/svg+xml",
                make: Box::new(move |out| Ok(out.write_all(picture.as_bytes())?)),
            });
        }
    };
    store.each_record(carry, |stop: Stop| -> Result<(), WriteError> {
        signature(stop.id.0, &stop.signature, &stop.signed_name);
        Ok(())
    })?;
    store.each_record(carry, |disposal: Disposal| -> Result<(), WriteError> {
        signature(disposal.id.0, &disposal.receiver_signature, &disposal.receiver_name);
        Ok(())
    })?;
    store.each_record(carry, |close: DayClose| -> Result<(), WriteError> {
        signature(close.id.0, &close.driver_signature, &close.driver);
        Ok(())
    })?;
    Ok(list)
}

fn write_records(
    store: &Store,
    carry: &Carry,
    kind: &'static Kind,
    phone: Uuid,
    out: &mut dyn Write,
) -> Result<(), WriteError> {
    store.each_carried(carry, kind, phone, |id, fields: &[Stamped]| -> Result<(), WriteError> {
        Ok(lines::write_record(
            id_abroad(kind.table, id, phone),
            fields,
            phone,
            &mut *out,
        )?)
    })
}

/// A signature as a picture; `None` where nobody signed, or for strokes nobody can read, which stay in the record.
fn signature_svg(strokes: &str, name: &str) -> Option<String> {
    use std::fmt::Write as _;
    let strokes: Vec<Vec<(i32, i32)>> = serde_json::from_str(strokes).ok()?;
    let height = strokes.iter().flatten().map(|(_, y)| *y).max()?.clamp(1, 10_000);
    let mut path = String::new();
    for stroke in &strokes {
        for (index, (x, y)) in stroke.iter().enumerate() {
            // Writing to a String cannot fail.
            let _ = write!(path, "{}{x} {y}", if index == 0 { 'M' } else { 'L' });
        }
        if let [(x, y)] = stroke.as_slice() {
            // A dot is a line of no length, which round ends make visible.
            let _ = write!(path, "L{x} {y}");
        }
    }
    let name = name.replace('&', "&amp;").replace('<', "&lt;");
    let name: String = name.chars().filter(|c| !c.is_control()).collect();
    Some(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"-10 -10 1020 {}\"><title>{name}</title>\
         <path d=\"{path}\" fill=\"none\" stroke=\"#000\" stroke-width=\"8\" stroke-linecap=\"round\" stroke-linejoin=\"round\"/></svg>\n",
        height + 20
    ))
}

fn readme(order: &Order<'_>) -> String {
    let day = order.day.format("%Y-%m-%d");
    let truck = if order.truck.is_empty() { "-" } else { order.truck };
    let (phone, number) = (order.phone, order.place.sequence);
    format!(
        "LIDMARK DAY FILE\n\
         Day: {day}   Truck: {truck}   Phone: {phone}   File number: {number}\n\
         \n\
         This is the work of one truck on one day: septic tank pump-outs, as the technician recorded them.\n\
         It is an ordinary zip file. Nothing in it needs a program of ours:\n\
         \n\
         csv/        stops, sites, loads, disposals, corrections, readings, work and photos as tables for any spreadsheet;\n\
         \x20           the units stand in the headers\n\
         tables/     every kind of record with all of its fields; mm millimetres, ml millilitres, e7 ten-millionths of a degree\n\
         map.geojson the sites on a map, and the photos whose camera noted where it was\n\
         photos/     the photos      signatures/  the signatures\n\
         records/    the records with the time of each change, log.jsonl the actions: for programs\n\
         manifest.json the size and SHA-256 of each part; manifest.sig the phone's Ed25519 signature of it\n\
         \n\
         It holds names, addresses and telephone numbers of customers: keep it as you keep those.\n\
         \n\
         ----------------------------------------------------------------------\n\
         \n\
         ARCHIVO DIARIO DE LIDMARK\n\
         Día: {day}   Camión: {truck}   Teléfono: {phone}   Número de archivo: {number}\n\
         \n\
         Este es el trabajo de un camión en un día: vaciados de tanques sépticos, tal como los anotó el técnico.\n\
         Es un archivo zip corriente. Nada de lo que contiene necesita un programa nuestro:\n\
         \n\
         csv/        paradas, sitios, cargas, descargas, correcciones, lecturas, trabajos y fotos en tablas para cualquier\n\
         \x20           hoja de cálculo; las unidades están en los encabezados\n\
         tables/     cada tipo de registro con todos sus campos; mm milímetros, ml mililitros, e7 diezmillonésimas de grado\n\
         map.geojson los sitios en un mapa, y las fotos cuya cámara anotó dónde estaba\n\
         photos/     las fotos       signatures/  las firmas\n\
         records/    los registros con la hora de cada cambio, log.jsonl las acciones: para programas\n\
         manifest.json el tamaño y el SHA-256 de cada parte; manifest.sig la firma Ed25519 del teléfono\n\
         \n\
         Contiene nombres, direcciones y teléfonos de clientes: guárdelo como guarda esos datos.\n"
    )
}
