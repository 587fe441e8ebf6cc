//! Books for these tests. Everything in them is invented.

use std::path::PathBuf;

use chrono::{DateTime, FixedOffset, NaiveDate};
use lidmark::app::session::first_setup;
use lidmark::domain::record::{
    Cell, Compartment, CompartmentId, FieldChange, Lid, LidId, Op, Pumping, PumpingId, Reading, ReadingId, Record,
    Site, SiteId, Stop, StopId, Tank, TankId, changes,
};
use lidmark::domain::units::Length;
use lidmark::exchange::dayfile::Digest;
use lidmark::exchange::dayfile::write::{Blob, Media};
use lidmark::store::Store;
use uuid::Uuid;

use crate::fixture::Dice;

/// The phone of these tests.
pub const PHONE: Uuid = Uuid::from_u128(0x0190_0000_0000_7000_8000_0000_dead_beef);

pub fn day(number: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 6, number).unwrap()
}

pub fn at(day: u32, hour: u32) -> DateTime<FixedOffset> {
    DateTime::parse_from_rfc3339(&format!("2026-06-{day:02}T{hour:02}:00:00-05:00")).unwrap()
}

pub struct Book {
    pub store: Store,
    pub path: PathBuf,
    next: u128,
    _folder: tempfile::TempDir,
}

impl Book {
    pub fn empty() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("book.sqlite");
        Self {
            store: Store::open(&path).unwrap(),
            path,
            next: 0x1000,
            _folder: folder,
        }
    }

    /// Sites A to D; A and C visited on the 16th, A and B on the 17th, D never; C's note changed on the 17th.
    pub fn of_two_days() -> Self {
        let mut book = Self::empty();
        book.keep(None, at(15, 8), changes(&[], &[first_setup()]));
        let a = book.site("A", at(15, 9));
        let b = book.site("B", at(15, 9));
        let c = book.site("C", at(15, 9));
        book.site("D", at(15, 9));
        book.stop(a, 16, 0);
        book.stop(c, 16, 1);
        book.stop(a, 17, 0);
        let last = book.stop(b, 17, 1);
        book.rename("C", "C, visited on the 16th only", at(17, 10));
        // Something done and taken back.
        let note = FieldChange {
            table: Stop::TABLE,
            id: last.0,
            field: "found_note",
            value: Cell::Text("a mistake".to_owned()),
        };
        book.keep(Some(last), at(17, 16), vec![note]);
        let undo = book.id();
        book.store.undo(last, undo, at(17, 16)).unwrap();
        book
    }

    pub fn id(&mut self) -> Uuid {
        self.next += 1;
        Uuid::from_u128(self.next)
    }

    pub fn keep(&mut self, stop: Option<StopId>, at: DateTime<FixedOffset>, changes: Vec<FieldChange>) {
        let id = self.id();
        self.store
            .keep(&Op {
                id,
                stop,
                at,
                label: "test".to_owned(),
                undoable: true,
                changes,
            })
            .unwrap();
    }

    /// A site with one tank of one compartment and two lids.
    pub fn site(&mut self, name: &str, at: DateTime<FixedOffset>) -> SiteId {
        let site = Site {
            id: SiteId(self.id()),
            name: name.to_owned(),
            address: "12 Invented Road, \"upper\" end".to_owned(),
            town: "Nowhere".to_owned(),
            customer: "Señora Ñandú".to_owned(),
            phone: "555-0100".to_owned(),
            residents_tenths: Some(35),
            lat_e7: (name != "B").then_some(441_234_567),
            lon_e7: (name != "B").then_some(-939_876_543),
            ..Site::default()
        };
        let tank = Tank {
            id: TankId(self.id()),
            site: site.id,
            ..Tank::default()
        };
        let compartment = Compartment {
            id: CompartmentId(self.id()),
            tank: tank.id,
            length_mm: Some(Length::from_mm(2_400)),
            ..Compartment::default()
        };
        let lids = [0, 1].map(|place| Lid {
            id: LidId(self.id()),
            tank: tank.id,
            place,
            cover_mm: Some(-12),
            ..Lid::default()
        });
        let mut list = changes(&[], std::slice::from_ref(&site));
        list.extend(changes(&[], &[tank]));
        list.extend(changes(&[], &[compartment]));
        list.extend(changes(&[], &lids));
        self.keep(None, at, list);
        site.id
    }

    /// A finished, signed stop with one reading and one pumping.
    pub fn stop(&mut self, site: SiteId, on: u32, place: i64) -> StopId {
        let whole = self.store.site_whole(site).unwrap();
        let stop = Stop {
            id: StopId(self.id()),
            site,
            day: day(on),
            place,
            started_at: Some(at(on, 9)),
            finished_at: Some(at(on, 10)),
            signed_name: "A. <Signer> & Co".to_owned(),
            signature: "[[[10,20],[300,40]],[[500,500]]]".to_owned(),
            signed_at: Some(at(on, 10)),
            ..Stop::default()
        };
        let reading = Reading {
            id: ReadingId(self.id()),
            stop: stop.id,
            compartment: whole.compartments[0].id,
            level_mm: Some(-5),
            sludge_mm: Some(Length::from_mm(300)),
            probes_mm: "[290,310]".to_owned(),
            ..Reading::default()
        };
        let pumping = Pumping {
            id: PumpingId(self.id()),
            stop: stop.id,
            tank: whole.tanks[0].id,
            pumped: Some(true),
            out_ml: Some(3_785_412),
            ..Pumping::default()
        };
        let mut list = changes(&[], std::slice::from_ref(&stop));
        list.extend(changes(&[], &[reading]));
        list.extend(changes(&[], &[pumping]));
        self.keep(Some(stop.id), at(on, 10), list);
        stop.id
    }

    pub fn rename(&mut self, from: &str, to: &str, at: DateTime<FixedOffset>) {
        let listed = self.store.book().unwrap();
        let renamed = listed.iter().find(|row| row.name == from).unwrap();
        let change = FieldChange {
            table: Site::TABLE,
            id: renamed.id.0,
            field: "name",
            value: Cell::Text(to.to_owned()),
        };
        self.keep(None, at, vec![change]);
    }

    pub fn stops_of(&self, on: u32) -> Vec<Uuid> {
        let mut ids = self
            .store
            .day(day(on))
            .unwrap()
            .iter()
            .map(|row| row.stop.id.0)
            .collect::<Vec<_>>();
        ids.sort();
        ids
    }
}

/// A real JPEG of noise of about this many bytes, made by the image crate.
pub fn photo(seed: u64, about: usize) -> (Blob, Vec<u8>) {
    let mut dice = Dice::new(seed);
    // Noise at quality 90 takes a little more than one byte a pixel and colour.
    let side = ((about as f64) / 1.6).sqrt() as u32 + 8;
    let noise = image::RgbImage::from_fn(side, side, |_, _| {
        let roll = dice.roll();
        image::Rgb([(roll >> 10) as u8, (roll >> 20) as u8, (roll >> 30) as u8])
    });
    let mut bytes = Vec::new();
    let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 90);
    noise.write_with_encoder(encoder).unwrap();
    let blob = Blob {
        sha256: Digest::of(&bytes),
        bytes: bytes.len() as u64,
        media: Media::Jpeg,
    };
    (blob, bytes)
}
