//! What is kept: one flat record per thing a person can change.
//!
//! Every record is a row of optional facts. A change is the difference between
//! two states of a record, so undo, history and merging need no code per field.

use crate::domain::units::{Cents, Length};
use chrono::{DateTime, FixedOffset, NaiveDate};
use std::fmt;
use uuid::Uuid;

/// A value as it is kept: what a database column or a line of the change log holds.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Cell {
    /// Not known.
    Null,
    /// A whole number in the unit of its field.
    Int(i64),
    /// Text.
    Text(String),
}

/// A type that can stand in one field of a record.
pub trait Kept: Sized {
    /// Returns the value as it is kept.
    fn to_cell(&self) -> Cell;
    /// Reads a kept value back; `None` when it does not fit the type.
    fn from_cell(cell: &Cell) -> Option<Self>;
}

impl Kept for i64 {
    fn to_cell(&self) -> Cell {
        Cell::Int(*self)
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        if let Cell::Int(whole) = cell {
            Some(*whole)
        } else {
            None
        }
    }
}

impl Kept for bool {
    fn to_cell(&self) -> Cell {
        Cell::Int(i64::from(*self))
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        match cell {
            Cell::Int(0) => Some(false),
            Cell::Int(1) => Some(true),
            _ => None,
        }
    }
}

impl Kept for String {
    fn to_cell(&self) -> Cell {
        Cell::Text(self.clone())
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        if let Cell::Text(text) = cell {
            Some(text.clone())
        } else {
            None
        }
    }
}

impl Kept for Length {
    fn to_cell(&self) -> Cell {
        Cell::Int(i64::from(self.as_mm()))
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        i64::from_cell(cell)
            .and_then(|mm| u32::try_from(mm).ok())
            .map(Self::from_mm)
    }
}

impl Kept for Cents {
    fn to_cell(&self) -> Cell {
        Cell::Int(self.0)
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        i64::from_cell(cell).map(Self)
    }
}

impl Kept for NaiveDate {
    fn to_cell(&self) -> Cell {
        Cell::Text(self.format("%Y-%m-%d").to_string())
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        String::from_cell(cell).and_then(|text| Self::parse_from_str(&text, "%Y-%m-%d").ok())
    }
}

impl Kept for DateTime<FixedOffset> {
    fn to_cell(&self) -> Cell {
        Cell::Text(self.to_rfc3339_opts(chrono::SecondsFormat::Millis, false))
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        String::from_cell(cell).and_then(|text| Self::parse_from_rfc3339(&text).ok())
    }
}

impl<T: Kept> Kept for Option<T> {
    fn to_cell(&self) -> Cell {
        self.as_ref().map_or(Cell::Null, Kept::to_cell)
    }
    fn from_cell(cell: &Cell) -> Option<Self> {
        match cell {
            Cell::Null => Some(None),
            other => T::from_cell(other).map(Some),
        }
    }
}

/// A closed set of words, kept as text.
macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $($(#[$vdoc])* $variant),+ }
        impl $name {
            /// Every value, in the order a person is offered them.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];
            /// Returns the word this value is kept as.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $text),+ }
            }
            /// Reads a kept word back.
            #[must_use]
            pub fn from_word(word: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|value| value.word() == word)
            }
        }
        impl Kept for $name {
            fn to_cell(&self) -> Cell { Cell::Text(self.word().to_owned()) }
            fn from_cell(cell: &Cell) -> Option<Self> {
                if let Cell::Text(word) = cell { Self::from_word(word) } else { None }
            }
        }
    };
}

words! {
    /// A language the program speaks.
    Language {
        /// English.
        #[default]
        English = "en",
        /// Spanish.
        Spanish = "es",
    }
}
words! {
    /// The units a person reads; nothing stored depends on them.
    Units {
        /// Inches, feet and US gallons.
        #[default]
        UsCustomary = "us",
        /// Centimetres, metres and litres.
        Metric = "metric",
    }
}
words! {
    /// The five stations of a stop, in the order of the work.
    Station {
        /// Where is the tank?
        #[default]
        Find = "find",
        /// How deep are the lids?
        Dig = "dig",
        /// What is in the tank?
        Read = "read",
        /// What came out?
        Pump = "pump",
        /// Close up and tell the customer.
        Leave = "leave",
    }
}
words! {
    /// What a tank's inside looks like.
    ShapeKind {
        /// A rectangular box.
        #[default]
        Box = "box",
        /// A cylinder standing up.
        UprightCylinder = "upright_cylinder",
        /// A cylinder lying level.
        LevelCylinder = "level_cylinder",
        /// Obround seen from above.
        ObroundPlan = "obround_plan",
        /// Obround seen from the end.
        ObroundSection = "obround_section",
        /// An ellipse seen from the end.
        EllipseSection = "ellipse_section",
        /// Depths and litres from a dip stick table.
        DipTable = "dip_table",
        /// Only the capacity is known.
        Nominal = "nominal",
    }
}
words! {
    /// What a lid is made of.
    LidMaterial {
        /// Concrete.
        #[default]
        Concrete = "concrete",
        /// Plastic.
        Plastic = "plastic",
        /// Metal.
        Metal = "metal",
        /// Anything else.
        Other = "other",
    }
}

/// What every record can do, whatever it holds.
pub trait Record: Clone + PartialEq + Sized {
    /// The table, which is also the word for the record in files.
    const TABLE: &'static str;
    /// The fields in the order they are kept, the id left out.
    const FIELDS: &'static [&'static str];
    /// Returns the id.
    fn uuid(&self) -> Uuid;
    /// Returns every field's kept value, in the order of [`Record::FIELDS`].
    fn cells(&self) -> Vec<Cell>;
    /// Builds a record from kept values; the error names the field that does not fit.
    ///
    /// # Errors
    /// The name of the first field whose value is missing or of the wrong kind.
    fn from_cells(id: Uuid, cells: &[Cell]) -> Result<Self, &'static str>;
    /// Whether a person has taken it away (it is kept all the same).
    fn is_removed(&self) -> bool;
}

/// Declares a record: the struct, its id, its table and how each field is kept.
macro_rules! record {
    ($(#[$doc:meta])* $name:ident, $id:ident, $table:literal { $($(#[$fdoc:meta])* $field:ident: $ty:ty),+ $(,)? }) => {
        #[doc = concat!("Names one ", $table, " for ever, on every device.")]
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $id(pub Uuid);
        impl Kept for $id {
            fn to_cell(&self) -> Cell { Cell::Text(self.0.to_string()) }
            fn from_cell(cell: &Cell) -> Option<Self> {
                if let Cell::Text(text) = cell { Uuid::parse_str(text).ok().map(Self) } else { None }
            }
        }
        impl fmt::Display for $id {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result { self.0.fmt(f) }
        }
        $(#[$doc])*
        #[derive(Clone, Debug, Default, PartialEq, Eq)]
        pub struct $name {
            /// The record's own id.
            pub id: $id,
            $($(#[$fdoc])* pub $field: $ty,)+
            /// Taken away by a person; kept for history and undo.
            pub removed: bool,
        }
        impl Record for $name {
            const TABLE: &'static str = $table;
            const FIELDS: &'static [&'static str] = &[$(stringify!($field),)+ "removed"];
            fn uuid(&self) -> Uuid { self.id.0 }
            fn cells(&self) -> Vec<Cell> {
                vec![$(self.$field.to_cell(),)+ self.removed.to_cell()]
            }
            fn from_cells(id: Uuid, cells: &[Cell]) -> Result<Self, &'static str> {
                let mut cells = cells.iter();
                let mut next = || cells.next().unwrap_or(&Cell::Null);
                Ok(Self {
                    id: $id(id),
                    $($field: <$ty as Kept>::from_cell(next()).ok_or(stringify!($field))?,)+
                    removed: <bool as Kept>::from_cell(next()).ok_or("removed")?,
                })
            }
            fn is_removed(&self) -> bool { self.removed }
        }
    };
}

record! {
    /// A place with one or more tanks, and the people to talk to.
    Site, SiteId, "site" {
        /// What the crew calls it.
        name: String,
        /// Street address.
        address: String,
        /// Town.
        town: String,
        /// The customer's name.
        customer: String,
        /// The customer's telephone number.
        phone: String,
        /// The language the customer reads.
        language: Option<Language>,
        /// Full-time residents, in tenths of a person.
        residents_tenths: Option<i64>,
        /// A garbage grinder is in use.
        grinder: Option<bool>,
        /// When the system was permitted.
        permit_on: Option<NaiveDate>,
        /// Latitude, WGS 84, in 1e-7 degrees.
        lat_e7: Option<i64>,
        /// Longitude, WGS 84, in 1e-7 degrees.
        lon_e7: Option<i64>,
        /// Anything worth knowing before getting out of the truck.
        note: String,
        /// The id of the rule set that holds here; empty for the company's usual one.
        rule_set: String,
        /// The earliest due date over its tanks, as of the last change.
        due_on: Option<NaiveDate>,
    }
}
record! {
    /// A tank at a site.
    Tank, TankId, "tank" {
        /// Where it stands.
        site: SiteId,
        /// Its place in the order of tanks.
        place: i64,
        /// What the crew calls it; empty for the only tank.
        name: String,
        /// The last pump-out anyone knows of before the first recorded stop.
        last_emptied: Option<NaiveDate>,
    }
}
record! {
    /// One compartment of a tank, in the order of the flow.
    Compartment, CompartmentId, "compartment" {
        /// Its tank.
        tank: TankId,
        /// Its place in the order of the flow.
        place: i64,
        /// The inside shape.
        shape: ShapeKind,
        /// Inside length.
        length_mm: Option<Length>,
        /// Inside width.
        width_mm: Option<Length>,
        /// Inside diameter.
        diameter_mm: Option<Length>,
        /// Radius of the half rounds.
        radius_mm: Option<Length>,
        /// Straight part of the side.
        straight_mm: Option<Length>,
        /// Inside height.
        height_mm: Option<Length>,
        /// Capacity below the outlet, when nothing else is known, millilitres.
        nominal_ml: Option<i64>,
        /// Depths and litres as JSON, `[[depth_mm, litres], …]`; empty when there is none.
        dip_rows: String,
        /// From the bottom to the outlet invert.
        liquid_depth_mm: Option<Length>,
        /// From the outlet invert to the underside of the top.
        air_mm: Option<Length>,
        /// From the outlet invert down to the bottom of the outlet device.
        outlet_device_mm: Option<Length>,
        /// From the outlet invert up to the top of the outlet device.
        outlet_top_mm: Option<Length>,
    }
}
record! {
    /// A lid of a tank.
    Lid, LidId, "lid" {
        /// Its tank.
        tank: TankId,
        /// Its place along the flow.
        place: i64,
        /// What the crew calls it.
        name: String,
        /// Soil over the lid, millimetres; negative when it stands proud of the ground.
        cover_mm: Option<i64>,
        /// Width or diameter.
        width_mm: Option<Length>,
        /// What it is made of.
        material: Option<LidMaterial>,
        /// Cracked or crumbling.
        cracked: Option<bool>,
        /// Bolted, locked or heavy enough that a child cannot lift it.
        secured: Option<bool>,
    }
}
record! {
    /// One visit to a site.
    Stop, StopId, "stop" {
        /// Where.
        site: SiteId,
        /// On which day.
        day: NaiveDate,
        /// Its place in the day.
        place: i64,
        /// The station the technician was at last.
        station: Station,
        /// When the truck arrived.
        started_at: Option<DateTime<FixedOffset>>,
        /// When the stop was finished.
        finished_at: Option<DateTime<FixedOffset>>,
        /// Residents when the stop was made, in tenths of a person.
        residents_tenths: Option<i64>,
        /// A lid has been found.
        lid_found: Option<bool>,
        /// Where the tank is and how it was found.
        find_note: String,
        /// What was found, for the customer.
        found_note: String,
        /// Every lid is closed and secured.
        lids_closed: Option<bool>,
        /// Who signed.
        signed_name: String,
        /// The strokes as JSON, `[[[x, y], …], …]` in thousandths of the pad's width; empty when unsigned.
        signature: String,
        /// When it was signed.
        signed_at: Option<DateTime<FixedOffset>>,
    }
}
record! {
    /// What was read in one compartment at one stop.
    Reading, ReadingId, "reading" {
        /// At which stop.
        stop: StopId,
        /// In which compartment.
        compartment: CompartmentId,
        /// Liquid level against the outlet invert, millimetres, above positive.
        level_mm: Option<i64>,
        /// Thickness of the scum.
        scum_mm: Option<Length>,
        /// Depth of the sludge.
        sludge_mm: Option<Length>,
        /// Several sludge probes as JSON, `[mm, …]`; empty when there was one.
        probes_mm: String,
    }
}
record! {
    /// What was pumped out of one tank at one stop.
    Pumping, PumpingId, "pumping" {
        /// At which stop.
        stop: StopId,
        /// Out of which tank.
        tank: TankId,
        /// Whether it was pumped.
        pumped: Option<bool>,
        /// Taken out, millilitres.
        out_ml: Option<i64>,
        /// Solids left behind, millilitres.
        heel_ml: Option<i64>,
        /// Whether it was rinsed.
        rinsed: Option<bool>,
    }
}
record! {
    /// How this phone is set up; there is exactly one.
    Setup, SetupId, "setup" {
        /// The company's name.
        company: String,
        /// The company's telephone number.
        company_phone: String,
        /// The technician's name.
        technician: String,
        /// The language of the screens.
        language: Language,
        /// The units of the screens.
        units: Units,
        /// Night colours.
        night: bool,
        /// The usual rule set.
        rule_set: String,
        /// What digging out one lid costs the customer.
        dig_fee: Cents,
        /// A riser section of 6 in.
        riser_6: Cents,
        /// A riser section of 12 in.
        riser_12: Cents,
        /// A riser section of 18 in.
        riser_18: Cents,
        /// A riser section of 24 in.
        riser_24: Cents,
        /// What the truck holds, millilitres.
        truck_ml: i64,
        /// When the truck was last emptied.
        truck_emptied_at: Option<DateTime<FixedOffset>>,
        /// The longest interval ever promised, months; the rule set's own when not given.
        max_months: Option<i64>,
        /// How well an edge is read with the tool at hand.
        edge_mm: Length,
        /// Where positions come from, as typed: `tcp:HOST:PORT` and the like; empty for the device's own.
        position_source: String,
    }
}

/// A site with its tanks and lids, and one stop with its readings.
///
/// Everything a stop's screens need, and nothing of any other site.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Visit {
    /// The site.
    pub site: Site,
    /// Its tanks, in order.
    pub tanks: Vec<Tank>,
    /// Their compartments, in order of tank and flow.
    pub compartments: Vec<Compartment>,
    /// Their lids, in order.
    pub lids: Vec<Lid>,
    /// The stop.
    pub stop: Stop,
    /// The stop's readings.
    pub readings: Vec<Reading>,
    /// The stop's pumpings.
    pub pumpings: Vec<Pumping>,
}

/// One field of one record taking a new value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FieldChange {
    /// The record's table.
    pub table: &'static str,
    /// The record.
    pub id: Uuid,
    /// The field.
    pub field: &'static str,
    /// The value it takes.
    pub value: Cell,
}

/// Lists what differs between two states of the records of one kind.
///
/// A record that is only in `after` is new: all of its fields are listed. A
/// record that is missing from `after` is left alone, because nothing kept is
/// ever dropped; taking away sets `removed`.
#[must_use]
pub fn changes<R: Record>(before: &[R], after: &[R]) -> Vec<FieldChange> {
    let mut list = Vec::new();
    for new in after {
        let old = before.iter().find(|old| old.uuid() == new.uuid());
        if old == Some(new) {
            continue;
        }
        let old_cells = old.map(Record::cells).unwrap_or_default();
        for (index, (field, value)) in R::FIELDS.iter().zip(new.cells()).enumerate() {
            if old_cells.get(index) != Some(&value) {
                list.push(FieldChange {
                    table: R::TABLE,
                    id: new.uuid(),
                    field,
                    value,
                });
            }
        }
    }
    list
}

impl Visit {
    /// Lists every field in which `after` differs from this state.
    #[must_use]
    pub fn changes_to(&self, after: &Self) -> Vec<FieldChange> {
        let mut list = changes(std::slice::from_ref(&self.site), std::slice::from_ref(&after.site));
        list.extend(changes(&self.tanks, &after.tanks));
        list.extend(changes(&self.compartments, &after.compartments));
        list.extend(changes(&self.lids, &after.lids));
        list.extend(changes(
            std::slice::from_ref(&self.stop),
            std::slice::from_ref(&after.stop),
        ));
        list.extend(changes(&self.readings, &after.readings));
        list.extend(changes(&self.pumpings, &after.pumpings));
        list
    }
}

/// What a person did: one action, one transaction, one line of the log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Op {
    /// Names the action for ever.
    pub id: Uuid,
    /// The stop it belongs to, if any.
    pub stop: Option<StopId>,
    /// When, with the local offset.
    pub at: DateTime<FixedOffset>,
    /// What was changed, as a message id of the catalogue.
    pub label: String,
    /// Whether Undo may take it back (moving between stations may not be).
    pub undoable: bool,
    /// What it changed.
    pub changes: Vec<FieldChange>,
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn lid(cover_mm: Option<i64>) -> Lid {
        Lid {
            id: LidId(Uuid::from_u128(7)),
            name: "inlet".to_owned(),
            cover_mm,
            ..Lid::default()
        }
    }

    #[test]
    fn a_record_survives_its_cells() {
        let before = lid(Some(-12));
        assert_eq!(Lid::from_cells(before.uuid(), &before.cells()), Ok(before));
    }

    #[test]
    fn a_cell_of_the_wrong_kind_names_its_field() {
        let mut cells = lid(None).cells();
        *cells.get_mut(2).unwrap() = Cell::Int(3);
        assert_eq!(Lid::from_cells(Uuid::nil(), &cells), Err("name"));
    }

    #[test]
    fn only_what_differs_is_a_change() {
        let list = changes(&[lid(None)], &[lid(Some(51))]);
        assert_eq!(list.len(), 1);
        assert_eq!(list.first().unwrap().field, "cover_mm");
        assert_eq!(list.first().unwrap().value, Cell::Int(51));
    }

    #[test]
    fn a_new_record_lists_every_field() {
        assert_eq!(changes::<Lid>(&[], &[lid(None)]).len(), Lid::FIELDS.len());
    }
}
