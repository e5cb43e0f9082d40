//! Pictures: a ledger as a waterfall, the trend of a mass, the forecast of a head; as SVG and, for the ledger, as lines of
//! text.
//!
//! They are to be read in black and white: hatching and signs instead of colours, labels at the thing itself, no legend to
//! look up. Every picture has a title and a description for those who cannot see it. The text is set in whatever the
//! reader's generic sans-serif is, and widths leave room for it.

mod frame;
mod head;
mod mass;
mod rows;
mod svg;
mod terminal;
mod waterfall;

pub use head::head_svg;
pub use mass::mass_svg;
pub use terminal::{TERMINAL_WIDTH, ledger_text};
pub use waterfall::ledger_svg;
