//! Report descriptors: where in a report the scale's fields lie.
//!
//! Written here rather than taken from a library because a descriptor comes from the device: the libraries tried
//! either panic on, or ask for memory without bound for, a descriptor with a bad count. One of them checks this
//! parser in the tests. Items as in "Device Class Definition for HID", version 1.11, section 6.2.2.

use super::usages::{
    DATA_SCALING, DATA_WEIGHT, FIRST_STATUS, FIRST_UNIT, LAST_STATUS, LAST_UNIT, PAGE, WEIGHT_LIMIT_REPORT,
};

/// The longest descriptor that is read, in bytes; what the operating systems pass on at most.
pub const MAX_DESCRIPTOR: usize = 4096;
/// The longest report, in bits.
const MAX_BITS: usize = 8 * 4096;
/// The most usages before one main item, and the deepest stack of globals.
const MAX_LOCALS: usize = 256;

/// Why a descriptor cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DescriptorFault {
    /// Longer than [`MAX_DESCRIPTOR`].
    #[error("the report descriptor is longer than {MAX_DESCRIPTOR} bytes")]
    TooLong,
    /// An item runs past the end.
    #[error("the report descriptor breaks off at byte {at}")]
    Cut {
        /// Where.
        at: usize,
    },
    /// A count, size or nesting beyond any real device.
    #[error("the report descriptor asks for too much at byte {at}")]
    TooMuch {
        /// Where.
        at: usize,
    },
    /// No report with a weight in it.
    #[error("the device is not a scale: its report descriptor has no weight field")]
    NoWeight,
}

/// Some bits of a report, counted from the first bit after the report's number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bits {
    /// The first bit.
    pub at: usize,
    /// How many, 1 to 32.
    pub size: u32,
    /// Whether they hold a number in two's complement.
    pub signed: bool,
}

/// A choice of one usage among several.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Choice {
    /// A number that counts from `first` through the usages.
    Number {
        /// Where the number is.
        bits: Bits,
        /// The number that stands for the first usage.
        first: i64,
        /// The usages in order, all on the weighing page.
        usages: Vec<u16>,
    },
    /// A bit for each usage.
    Flags(Vec<(Bits, u16)>),
}

/// The fields of one report.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ReportLayout {
    /// The report's number; `None` when the device has but one kind of report and does not number it.
    pub id: Option<u8>,
    /// Its length in bits, without its number.
    pub bits: usize,
    /// The number.
    pub weight: Option<Bits>,
    /// The power of ten.
    pub scaling: Option<Bits>,
    /// The status.
    pub status: Option<Choice>,
    /// The unit.
    pub unit: Option<Choice>,
}

/// The input reports of a scale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout {
    /// One for each kind of report.
    pub reports: Vec<ReportLayout>,
}

#[derive(Clone, Default)]
struct Globals {
    page: u16,
    minimum: i64,
    size: u32,
    count: u32,
    id: Option<u8>,
}

#[derive(Default)]
struct Locals {
    /// (page, usage), where the page was given with the usage.
    usages: Vec<(Option<u16>, u16)>,
    minimum: Option<(Option<u16>, u16)>,
    maximum: Option<(Option<u16>, u16)>,
}

struct Parser {
    globals: Globals,
    stack: Vec<Globals>,
    locals: Locals,
    reports: Vec<ReportLayout>,
    /// The usages of the open collections.
    collections: Vec<(u16, u16)>,
}

impl Layout {
    /// Reads a report descriptor.
    ///
    /// # Errors
    /// [`DescriptorFault`].
    pub fn parse(descriptor: &[u8]) -> Result<Self, DescriptorFault> {
        if descriptor.len() > MAX_DESCRIPTOR {
            return Err(DescriptorFault::TooLong);
        }
        let mut parser = Parser {
            globals: Globals::default(),
            stack: Vec::new(),
            locals: Locals::default(),
            reports: Vec::new(),
            collections: Vec::new(),
        };
        let mut at = 0;
        while let Some(prefix) = descriptor.get(at) {
            let cut = DescriptorFault::Cut { at };
            // A long item: its size is in the next byte, and none has a meaning yet.
            if *prefix == 0xfe {
                let size = usize::from(*descriptor.get(at + 1).ok_or(cut)?);
                at += 3 + size;
                continue;
            }
            let size = [0, 1, 2, 4][usize::from(prefix & 3)];
            let data = descriptor.get(at + 1..at + 1 + size).ok_or(cut)?;
            parser.item(prefix & 0xfc, data, at)?;
            at += 1 + size;
        }
        let reports: Vec<_> = parser.reports.into_iter().filter(|report| report.weight.is_some()).collect();
        if reports.is_empty() { Err(DescriptorFault::NoWeight) } else { Ok(Self { reports }) }
    }

    /// The report that some bytes are, and the bytes after its number.
    #[must_use]
    pub fn find<'a>(&self, bytes: &'a [u8]) -> Option<(&ReportLayout, &'a [u8])> {
        self.reports.iter().find_map(|report| match report.id {
            None => Some((report, bytes)),
            Some(id) => {
                bytes.split_first().filter(|(first, _)| **first == id).map(|(_, rest)| (report, rest))
            }
        })
    }
}

fn unsigned(data: &[u8]) -> u32 {
    data.iter().rev().fold(0, |value, byte| value << 8 | u32::from(*byte))
}

fn signed(data: &[u8]) -> i64 {
    let value = i64::from(unsigned(data));
    let bits = 8 * data.len();
    if bits > 0 && value >= 1 << (bits - 1) { value - (1 << bits) } else { value }
}

impl Parser {
    fn item(&mut self, tag: u8, data: &[u8], at: usize) -> Result<(), DescriptorFault> {
        let too_much = || DescriptorFault::TooMuch { at };
        let low = |value: u32| (value & 0xffff) as u16;
        let value = unsigned(data);
        let usage = (data.len() == 4).then(|| low(value >> 16));
        match tag {
            // Main items: input, output, feature, collection and its end.
            0x80 => self.input(value, at)?,
            0x90 | 0xb0 => self.locals = Locals::default(),
            0xa0 => {
                if self.collections.len() >= MAX_LOCALS {
                    return Err(too_much());
                }
                let name = self.usages().last().copied().unwrap_or_default();
                self.collections.push(name);
                self.locals = Locals::default();
            }
            0xc0 => {
                self.collections.pop();
                self.locals = Locals::default();
            }
            // Global items.
            0x04 => self.globals.page = low(value),
            0x14 => self.globals.minimum = signed(data),
            0x74 => self.globals.size = value,
            0x84 => self.globals.id = u8::try_from(value).ok(),
            0x94 => self.globals.count = value,
            0xa4 => {
                if self.stack.len() >= MAX_LOCALS {
                    return Err(too_much());
                }
                self.stack.push(self.globals.clone());
            }
            0xb4 => self.globals = self.stack.pop().unwrap_or_default(),
            // Local items.
            0x08 => {
                if self.locals.usages.len() >= MAX_LOCALS {
                    return Err(too_much());
                }
                self.locals.usages.push((usage, low(value)));
            }
            0x18 => self.locals.minimum = Some((usage, low(value))),
            0x28 => self.locals.maximum = Some((usage, low(value))),
            _ => {}
        }
        Ok(())
    }

    /// The usages of the item, on which page they are, at most one for each of its fields and each value.
    fn usages(&self) -> Vec<(u16, u16)> {
        let page = |page: Option<u16>| page.unwrap_or(self.globals.page);
        let mut usages: Vec<_> = self.locals.usages.iter().map(|(p, id)| (page(*p), *id)).collect();
        if let (Some((p, low)), Some((_, high))) = (self.locals.minimum, self.locals.maximum) {
            usages.extend((low..=high).take(MAX_LOCALS).map(|id| (page(p), id)));
        }
        usages
    }

    fn input(&mut self, flags: u32, at: usize) -> Result<(), DescriptorFault> {
        let too_much = || DescriptorFault::TooMuch { at };
        let usages = self.usages();
        self.locals = Locals::default();
        let Globals { minimum, size, count, id, .. } = self.globals.clone();
        let index = match self.reports.iter().position(|report| report.id == id) {
            Some(index) => index,
            None => {
                self.reports.push(ReportLayout { id, ..ReportLayout::default() });
                self.reports.len() - 1
            }
        };
        let report = &mut self.reports[index];
        let start = report.bits;
        let total = usize::try_from(u64::from(size) * u64::from(count)).map_err(|_| too_much())?;
        report.bits = start.checked_add(total).filter(|bits| *bits <= MAX_BITS).ok_or_else(too_much)?;
        let (constant, variable) = (flags & 1 != 0, flags & 2 != 0);
        // The weight in a report of the scale's limit is not what lies on the pan.
        let limit = self.collections.contains(&(PAGE, WEIGHT_LIMIT_REPORT));
        if constant || !(1..=32).contains(&size) || count == 0 || limit {
            return Ok(());
        }
        let bits = |field: u32| Bits { at: start + (size * field) as usize, size, signed: minimum < 0 };
        if variable {
            // With fewer usages than fields the last usage repeats; a repeated one is no new field of the scale.
            for (field, (page, usage)) in (0..count).zip(&usages) {
                if *page == PAGE {
                    report.variable(*usage, bits(field));
                }
            }
        } else {
            let on_page = |first: u16, last: u16| {
                usages.iter().any(|(page, id)| *page == PAGE && (first..=last).contains(id))
            };
            let choice = || Choice::Number {
                bits: bits(0),
                first: minimum,
                // A usage of another page keeps its place in the order and means nothing.
                usages: usages.iter().map(|(page, id)| if *page == PAGE { *id } else { 0 }).collect(),
            };
            if on_page(FIRST_STATUS, LAST_STATUS) {
                report.status.get_or_insert_with(choice);
            } else if on_page(FIRST_UNIT, LAST_UNIT) {
                report.unit.get_or_insert_with(choice);
            }
        }
        Ok(())
    }
}

impl ReportLayout {
    fn variable(&mut self, usage: u16, bits: Bits) {
        let flag = |choice: &mut Option<Choice>| {
            if let Choice::Flags(flags) = choice.get_or_insert_with(|| Choice::Flags(Vec::new())) {
                flags.push((bits, usage));
            }
        };
        match usage {
            DATA_WEIGHT => {
                self.weight.get_or_insert(bits);
            }
            DATA_SCALING => {
                self.scaling.get_or_insert(bits);
            }
            FIRST_STATUS..=LAST_STATUS => flag(&mut self.status),
            FIRST_UNIT..=LAST_UNIT => flag(&mut self.unit),
            _ => {}
        }
    }
}

#[cfg(test)]
pub(super) mod tests;
