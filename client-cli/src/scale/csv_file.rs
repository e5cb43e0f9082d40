//! Weighings from a CSV file, whole or not at all.
//!
//! Quoting is that of RFC 4180; cells may be parted by commas, semicolons or tabs, told from the header. Which column
//! holds what is said by the user, so that any table will do. If a single row cannot be read, nothing is taken in and
//! every bad cell is listed with its line.

use std::fmt;
use std::io::Read;

use csv::{ByteRecord, ReaderBuilder};
use domain::mass_unit::MassUnit;
use domain::time::Timestamp;
use domain::weighing_text::{TypedMass, parse_mass};
use domain::wire::weighing::{Fill, Wetness};

/// The largest file that is read, in bytes.
pub const MAX_FILE: u64 = 16 << 20;
/// The most rows.
pub const MAX_ROWS: usize = 100_000;

/// What a column can hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CsvField {
    /// The item's name or tag.
    Item,
    /// What the scale showed, with or without its unit.
    Reading,
    /// The unit of the reading.
    Unit,
    /// The reading of the container alone.
    Tare,
    /// How many like units lay on the pan together.
    Units,
    /// How often it was put on the pan anew.
    Lifts,
    /// `dry`, `damp` or `wet`.
    Wetness,
    /// `empty`, `part` or `full`.
    Fill,
    /// When: RFC 3339 with an offset, or a date, which is taken as noon UTC.
    ObservedAt,
    /// Anything worth knowing.
    Note,
}

impl CsvField {
    /// Every field, in the order in which they are told to a person.
    pub const ALL: [Self; 10] = [
        Self::Item,
        Self::Reading,
        Self::Unit,
        Self::Tare,
        Self::Units,
        Self::Lifts,
        Self::Wetness,
        Self::Fill,
        Self::ObservedAt,
        Self::Note,
    ];

    /// The name by which the user maps it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Item => "item",
            Self::Reading => "reading",
            Self::Unit => "unit",
            Self::Tare => "tare",
            Self::Units => "units",
            Self::Lifts => "lifts",
            Self::Wetness => "wetness",
            Self::Fill => "fill",
            Self::ObservedAt => "observed_at",
            Self::Note => "note",
        }
    }
}

/// Which column holds which field.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ColumnMapping {
    columns: Vec<(CsvField, String)>,
}

impl ColumnMapping {
    /// Adds `FIELD=COLUMN`, where a column is its header, or `#3` for the third.
    ///
    /// # Errors
    /// In words, when there is no such field or it is mapped already.
    pub fn add(&mut self, text: &str) -> Result<(), String> {
        let known = || CsvField::ALL.map(CsvField::name).join(", ");
        let (name, column) = text
            .split_once('=')
            .ok_or_else(|| format!("'{text}' is not FIELD=COLUMN with a field of {}", known()))?;
        let field = CsvField::ALL.into_iter().find(|field| field.name() == name.trim());
        let field = field.ok_or_else(|| format!("'{name}' is not one of {}", known()))?;
        if self.columns.iter().any(|(mapped, _)| *mapped == field) {
            return Err(format!("'{}' is mapped twice", field.name()));
        }
        self.columns.push((field, column.trim().to_owned()));
        Ok(())
    }
}

/// One weighing of the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CsvRow {
    /// The line of the file, from 1.
    pub line: u64,
    /// The item's name or tag.
    pub item: String,
    /// What the scale showed.
    pub reading: TypedMass,
    /// The container alone.
    pub tare: Option<TypedMass>,
    /// Like units together.
    pub units: Option<u32>,
    /// Times put on anew.
    pub lifts: Option<u32>,
    /// How wet.
    pub wetness: Option<Wetness>,
    /// How full.
    pub fill: Option<Fill>,
    /// When.
    pub observed_at: Option<Timestamp>,
    /// Anything worth knowing.
    pub note: Option<String>,
}

/// A cell that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadCell {
    /// The line of the file, from 1.
    pub line: u64,
    /// The column's header, or empty when the row as a whole is bad.
    pub column: String,
    /// What stands there, shortened.
    pub value: String,
    /// What is wrong, in words.
    pub why: String,
}

/// Why a file was not taken in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CsvRefusal {
    /// The file as a whole, in words.
    File(String),
    /// Some of its rows.
    Rows {
        /// How many rows there are.
        rows: usize,
        /// Every cell that cannot be read.
        bad: Vec<BadCell>,
    },
}

impl fmt::Display for CsvRefusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File(why) => write!(f, "nothing was taken in: {why}"),
            Self::Rows { rows, bad } => {
                let mut lines: Vec<u64> = bad.iter().map(|cell| cell.line).collect();
                lines.dedup();
                write!(f, "nothing was taken in: {} of {rows} rows cannot be read", lines.len())?;
                for cell in bad {
                    write!(f, "\n  line {}", cell.line)?;
                    if !cell.column.is_empty() {
                        write!(f, ", {} '{}'", cell.column, cell.value)?;
                    }
                    write!(f, ": {}", cell.why)?;
                }
                Ok(())
            }
        }
    }
}

impl std::error::Error for CsvRefusal {}

/// Reads the weighings of a CSV file; values without a unit are in `assumed`.
///
/// # Errors
/// [`CsvRefusal`]: then nothing was taken in.
pub fn read_csv(
    file: impl Read,
    mapping: &ColumnMapping,
    assumed: MassUnit,
) -> Result<Vec<CsvRow>, CsvRefusal> {
    let refuse = |why: String| CsvRefusal::File(why);
    let mut bytes = Vec::new();
    file.take(MAX_FILE + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| refuse(format!("it cannot be read: {error}")))?;
    if bytes.len() as u64 > MAX_FILE {
        return Err(refuse(format!("it is larger than {} MB", MAX_FILE >> 20)));
    }
    // Some programs mark UTF-8 with this.
    let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
    let mut reader =
        ReaderBuilder::new().delimiter(delimiter(text)).flexible(true).has_headers(false).from_reader(text);
    let mut record = ByteRecord::new();
    let next = |reader: &mut csv::Reader<&[u8]>, record: &mut ByteRecord| {
        reader
            .read_byte_record(record)
            .map_err(|error| CsvRefusal::File(format!("it cannot be read: {error}")))
    };
    if !next(&mut reader, &mut record)? {
        return Err(refuse("it is empty".to_owned()));
    }
    let headers: Vec<String> =
        record.iter().map(|cell| String::from_utf8_lossy(cell).trim().to_owned()).collect();
    let columns = Columns::find(mapping, headers).map_err(refuse)?;

    let (mut rows, mut bad, mut count) = (Vec::new(), Vec::new(), 0);
    while next(&mut reader, &mut record)? {
        if record.iter().all(|cell| cell.trim_ascii().is_empty()) {
            continue;
        }
        count += 1;
        if count > MAX_ROWS {
            return Err(refuse(format!("it has more than {MAX_ROWS} rows")));
        }
        let line = record.position().map_or(0, |position| line_of(text, position));
        let mut cells = Cells { columns: &columns, record: &record, line, bad: &mut bad };
        rows.extend(cells.row(assumed));
    }
    if bad.is_empty() { Ok(rows) } else { Err(CsvRefusal::Rows { rows: count, bad }) }
}

/// The line on which a record begins: the reader's position is before any blank lines in front of it.
fn line_of(text: &[u8], position: &csv::Position) -> u64 {
    let from = usize::try_from(position.byte()).unwrap_or(usize::MAX);
    let blank = text.get(from..).unwrap_or_default().iter().take_while(|byte| matches!(byte, b'\r' | b'\n'));
    position.line() + blank.filter(|byte| **byte == b'\n').count() as u64
}

/// The separator that the header uses most, outside quotes.
#[must_use]
pub fn delimiter(text: &[u8]) -> u8 {
    let mut quoted = false;
    let mut counts = [(b',', 0), (b';', 0), (b'\t', 0)];
    for byte in text {
        match byte {
            b'"' => quoted = !quoted,
            b'\n' if !quoted => break,
            _ if quoted => {}
            byte => counts.iter_mut().filter(|(mark, _)| mark == byte).for_each(|(_, n)| *n += 1),
        }
    }
    // The first of equals, so that a header of one column is parted by commas.
    counts.into_iter().rev().max_by_key(|(_, n)| *n).map_or(b',', |(mark, _)| mark)
}

struct Columns {
    headers: Vec<String>,
    places: Vec<(CsvField, usize)>,
}

impl Columns {
    fn find(mapping: &ColumnMapping, headers: Vec<String>) -> Result<Self, String> {
        let mut places = Vec::new();
        for (field, column) in &mapping.columns {
            let numbered = column.strip_prefix('#').and_then(|n| n.parse::<usize>().ok()?.checked_sub(1));
            let named: Vec<usize> =
                (0..headers.len()).filter(|i| headers[*i].to_lowercase() == column.to_lowercase()).collect();
            let place = match (named[..].as_ref(), numbered) {
                ([place], _) => *place,
                ([], Some(place)) if place < headers.len() => place,
                ([], _) => {
                    return Err(format!(
                        "it has no column '{column}'; its columns are {}",
                        headers.join(", ")
                    ));
                }
                _ => {
                    return Err(format!(
                        "it has more than one column '{column}'; say which by its number, as #3"
                    ));
                }
            };
            places.push((*field, place));
        }
        for field in [CsvField::Item, CsvField::Reading] {
            if !places.iter().any(|(mapped, _)| *mapped == field) {
                return Err(format!(
                    "it is not said which column is the {}; its columns are {}",
                    field.name(),
                    headers.join(", ")
                ));
            }
        }
        Ok(Self { headers, places })
    }
}

struct Cells<'a> {
    columns: &'a Columns,
    record: &'a ByteRecord,
    line: u64,
    bad: &'a mut Vec<BadCell>,
}

impl Cells<'_> {
    fn row(&mut self, assumed: MassUnit) -> Option<CsvRow> {
        let (found, wanted) = (self.record.len(), self.columns.headers.len());
        if found != wanted {
            let why = format!("the row has {found} cells and the header {wanted}");
            self.bad.push(BadCell { line: self.line, column: String::new(), value: String::new(), why });
            return None;
        }
        let unit = self.cell(CsvField::Unit, |text| {
            MassUnit::from_word(text)
                .ok_or_else(|| "not a unit of mass known here; use g, kg, mg, oz or lb".to_owned())
        });
        let mass = |text: &str| {
            let typed = parse_mass(text, unit.unwrap_or(assumed)).map_err(|error| error.to_string())?;
            match unit {
                Some(unit) if typed.unit_given && typed.unit != unit => {
                    Err(format!("it is in {} and the unit column says {unit}", typed.unit))
                }
                _ => Ok(typed),
            }
        };
        let item = self.cell(CsvField::Item, |text| Ok(text.to_owned()));
        let reading = self.cell(CsvField::Reading, mass);
        let tare = self.cell(CsvField::Tare, mass);
        let units = self.cell(CsvField::Units, |text| whole(text, 10_000));
        let lifts = self.cell(CsvField::Lifts, |text| whole(text, 1_000));
        let wetness = self.cell(CsvField::Wetness, |text| {
            choose(text, &[("dry", Wetness::Dry), ("damp", Wetness::Damp), ("wet", Wetness::Wet)])
        });
        let fill = self.cell(CsvField::Fill, |text| {
            choose(text, &[("empty", Fill::Empty), ("part", Fill::Part), ("full", Fill::Full)])
        });
        let observed_at = self.cell(CsvField::ObservedAt, time);
        let note = self.cell(CsvField::Note, |text| Ok(text.to_owned()));
        for (field, missing) in [(CsvField::Item, item.is_none()), (CsvField::Reading, reading.is_none())] {
            let blank = self.text(field).is_some_and(|cell| cell.trim_ascii().is_empty());
            if missing && blank {
                self.fault(field, "it is blank".to_owned());
            }
        }
        let (item, reading) = (item?, reading?);
        Some(CsvRow { line: self.line, item, reading, tare, units, lifts, wetness, fill, observed_at, note })
    }

    fn text(&self, field: CsvField) -> Option<&[u8]> {
        let place = self.columns.places.iter().find(|(mapped, _)| *mapped == field)?.1;
        self.record.get(place)
    }

    /// The value of a cell; `None` when it is blank, not mapped, or bad, which is then noted.
    fn cell<T>(&mut self, field: CsvField, read: impl Fn(&str) -> Result<T, String>) -> Option<T> {
        let bytes = self.text(field)?.trim_ascii();
        if bytes.is_empty() {
            return None;
        }
        let value = str::from_utf8(bytes).map_err(|_| "it is not UTF-8 text".to_owned()).and_then(read);
        value.map_err(|why| self.fault(field, why)).ok()
    }

    fn fault(&mut self, field: CsvField, why: String) {
        let place =
            self.columns.places.iter().find(|(mapped, _)| *mapped == field).map_or(0, |(_, place)| *place);
        let header = self.columns.headers.get(place).filter(|header| !header.is_empty());
        let column = header.cloned().unwrap_or_else(|| format!("#{}", place + 1));
        let value = String::from_utf8_lossy(self.record.get(place).unwrap_or_default());
        let value = value.trim().chars().take(60).collect();
        self.bad.push(BadCell { line: self.line, column, value, why });
    }
}

fn whole(text: &str, most: u32) -> Result<u32, String> {
    let value = text.parse().ok().filter(|n| (1..=most).contains(n));
    value.ok_or_else(|| format!("a whole number from 1 to {most} is wanted"))
}

fn choose<T: Copy>(text: &str, choices: &[(&str, T)]) -> Result<T, String> {
    let found = choices.iter().find(|(name, _)| name.eq_ignore_ascii_case(text));
    let names = || choices.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", ");
    found.map(|(_, value)| *value).ok_or_else(|| format!("one of {} is wanted", names()))
}

fn time(text: &str) -> Result<Timestamp, String> {
    let noon = format!("{text}T12:00:00Z");
    let whole = if text.len() == 10 { &noon } else { text };
    whole.parse().map_err(|_| {
        "a date such as 2026-03-01, or a time with an offset such as 2026-03-01T05:10:00+01:00, is wanted"
            .to_owned()
    })
}

#[cfg(test)]
mod tests;
