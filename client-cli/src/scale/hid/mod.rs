//! Scales on USB that speak the weighing page of the human interface device (HID) class.
//!
//! A device describes its reports in a report descriptor ([`descriptor`]); a report then holds a status, a unit, a
//! power of ten and a number ([`report`]). Sources: USB Implementers' Forum, "HID Point of Sale Usage Tables",
//! version 1.02 (2001), section on weighing devices (usage page 0x8D), whose numbers the later "HID Usage Tables"
//! keep under the name Scales; and "Device Class Definition for HID", version 1.11 (2001), section 6.2.2 for the
//! items of a descriptor.

pub mod descriptor;
#[cfg(target_os = "linux")]
pub mod hidraw;
pub mod report;
pub mod usages;
