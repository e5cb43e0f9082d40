//! What `tare loadout` takes.

use std::path::PathBuf;

use clap::{Args, ValueHint};

/// Which loadout.
#[derive(Debug, Args)]
pub struct LoadoutNameArgs {
    /// A part of its name; left out, the current one.
    pub loadout: Option<String>,
}

/// Which loadout.
#[derive(Debug, Args)]
pub struct LoadoutUseArgs {
    /// A part of its name.
    pub loadout: String,
}

/// A new loadout.
#[derive(Debug, Args)]
pub struct LoadoutNewArgs {
    /// The race, by a part of its name; left out, it is for none.
    pub race: Option<String>,
    /// Copy what is serviceable from another loadout; without a name, from the last one.
    #[arg(long, value_name = "LOADOUT", num_args = 0..=1, default_missing_value = "")]
    pub like: Option<String>,
    /// What to call it; left out, as the race is called.
    #[arg(long)]
    pub name: Option<String>,
    /// How much is eaten each hour.
    #[arg(long, value_name = "KCAL")]
    pub eat: Option<f64>,
    /// How much is drunk each hour.
    #[arg(long, value_name = "ML")]
    pub drink: Option<f64>,
}

/// What to put where.
#[derive(Debug, Args)]
pub struct LoadoutPutArgs {
    /// Items, by a part of the name or the tag, each with a number in front and a place after @ if need be.
    #[arg(required = true, value_name = "[N] ITEM [@PLACE]")]
    pub items: Vec<String>,
    /// The loadout, by a part of its name; left out, the current one.
    #[arg(long, value_name = "LOADOUT")]
    pub loadout: Option<String>,
    /// Take the items from this kitroom, such as the club's; what is seen of them now is kept with the loadout.
    #[arg(long, value_name = "KITROOM")]
    pub from: Option<String>,
    /// A place for all of them.
    #[arg(long, value_name = "PLACE")]
    pub at: Option<String>,
    /// How much water a vessel is filled with, at the start and at each refill.
    #[arg(long, value_name = "ML")]
    pub fill: Option<f64>,
    /// Kept to the finish: neither eaten nor drunk.
    #[arg(long, value_name = "true|false", num_args = 0..=1, require_equals = true, default_missing_value = "true")]
    pub reserve: Option<bool>,
    /// Not to be swapped or left out by the lightest set.
    #[arg(long, value_name = "true|false", num_args = 0..=1, require_equals = true, default_missing_value = "true")]
    pub lock: Option<bool>,
    /// The first leg on which it is carried, from 1: picked up from a drop bag.
    #[arg(long, value_name = "LEG")]
    pub from_leg: Option<u32>,
    /// The last leg on which it is carried, from 1.
    #[arg(long, value_name = "LEG")]
    pub to_leg: Option<u32>,
    /// Anything worth knowing.
    #[arg(long)]
    pub note: Option<String>,
}

/// What to take out.
#[derive(Debug, Args)]
pub struct LoadoutDropArgs {
    /// Items, each with a number in front and a place after @ if only some of it goes.
    #[arg(required = true, value_name = "[N] ITEM [@PLACE]")]
    pub items: Vec<String>,
    /// The loadout, by a part of its name; left out, the current one.
    #[arg(long, value_name = "LOADOUT")]
    pub loadout: Option<String>,
}

/// What changes.
#[derive(Debug, Args)]
pub struct LoadoutEditArgs {
    /// A part of its name; left out, the current one.
    pub loadout: Option<String>,
    /// A new name.
    #[arg(long)]
    pub name: Option<String>,
    /// Another race, by a part of its name.
    #[arg(long, value_name = "RACE")]
    pub race: Option<String>,
    /// How much is eaten each hour.
    #[arg(long, value_name = "KCAL")]
    pub eat: Option<f64>,
    /// How much is drunk each hour.
    #[arg(long, value_name = "ML")]
    pub drink: Option<f64>,
    /// Anything worth knowing.
    #[arg(long)]
    pub notes: Option<String>,
}

/// Which verdicts.
#[derive(Debug, Args)]
pub struct LoadoutVerdictsArgs {
    /// A part of its name; left out, the current one.
    pub loadout: Option<String>,
    /// Only those that are not met or not shown.
    #[arg(long)]
    pub open: bool,
}

/// What the lightest set may take.
#[derive(Debug, Args)]
pub struct LoadoutLightestArgs {
    /// A part of the loadout's name; left out, the current one.
    pub loadout: Option<String>,
    /// The vest or bag whose pockets must hold it; left out, the one in the loadout.
    #[arg(long, value_name = "ITEM")]
    pub vest: Option<String>,
    /// Also what this other kitroom has, such as the club's; may be given again.
    #[arg(long, value_name = "KITROOM")]
    pub also: Vec<String>,
    /// Leave out of account what is in the loadout and no rule asks for; otherwise it keeps its place.
    #[arg(long)]
    pub bare: bool,
    /// Make the swaps, all in one step.
    #[arg(long)]
    pub take: bool,
    /// How long to look for a proof, in seconds.
    #[arg(long, value_name = "S", default_value_t = 20)]
    pub time_limit: u32,
}

/// Which two.
#[derive(Debug, Args)]
pub struct LoadoutCompareArgs {
    /// A part of the name of the first.
    pub from: String,
    /// A part of the name of the second; left out, the current one.
    pub to: Option<String>,
}

/// What to fix.
#[derive(Debug, Args)]
pub struct LoadoutSealArgs {
    /// A part of its name; left out, the current one.
    pub loadout: Option<String>,
    /// Do not ask.
    #[arg(long)]
    pub yes: bool,
}

/// What to open again.
#[derive(Debug, Args)]
pub struct LoadoutUnsealArgs {
    /// A part of its name; left out, the current one.
    pub loadout: Option<String>,
    /// Why; it is kept with the seal.
    #[arg(long, value_name = "WHY")]
    pub reason: String,
}

/// What happened on the way. What is not given is asked for at a terminal.
#[derive(Debug, Args)]
pub struct LoadoutUsedArgs {
    /// A part of its name; left out, the current one.
    pub loadout: Option<String>,
    /// Hours from start to finish, as in 21:30 or 21.5.
    #[arg(long, value_name = "HOURS")]
    pub hours: Option<String>,
    /// Hours of them in the wet.
    #[arg(long, value_name = "HOURS")]
    pub wet: Option<String>,
    /// What was worn besides what is on the body, with its hours: "shell 4:30, gloves 2".
    #[arg(long, value_name = "ITEM HOURS")]
    pub worn: Option<String>,
    /// Food that was eaten: "9 gel, 2 bar", all, or none.
    #[arg(long, value_name = "[N] ITEM")]
    pub eaten: Option<String>,
    /// What was lost: "left glove, 2 gel", or none.
    #[arg(long, value_name = "[N] ITEM")]
    pub lost: Option<String>,
    /// What was damaged, each with what happened after a colon: "shell: seam at the left cuff", or none.
    #[arg(long, value_name = "ITEM: WHAT")]
    pub damaged: Option<String>,
    /// Log it although it was logged already.
    #[arg(long)]
    pub again: bool,
}

/// What to print.
#[derive(Debug, Args)]
pub struct LoadoutPrintArgs {
    /// A part of its name; left out, the current one.
    pub loadout: Option<String>,
    /// Write a page for a browser or a printer, black on white.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub html: Option<PathBuf>,
}
