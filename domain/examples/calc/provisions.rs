//! Food, water and carried mass.

use domain::provisions::{
    CarryPlace, Entry, EntryMass, Leg, LegLoad, Loadout, Masses, Nutrients, Rates, Refill, Required,
    carried_mass, loadout_course, water_density_kg_m3,
};
use domain::units::{Hours, Kilocalories, MassMg, Millilitres, UnitError};
use serde_json::{Value, json};

use crate::Answer;
use crate::args::{Args, Refusal};

impl From<UnitError> for Refusal {
    fn from(error: UnitError) -> Self {
        Self::Question(error.to_string())
    }
}

/// Answers `carried_mass`, `loadout`, `energy` and `water_density`.
pub fn answer(method: &str, args: &Args) -> Option<Answer> {
    Some(match method {
        "carried_mass" => carried(args),
        "loadout" => loadout(args),
        "energy" => energy(args),
        "water_density" => density(args),
        _ => return None,
    })
}

fn required(args: &Args) -> Result<Required, Refusal> {
    Ok(Required { food_kcal: args.number("required_kcal")?, water_ml: args.number("required_ml")? })
}

/// `legs` are rows of hours, food in g and water in ml on leaving.
fn carried(args: &Args) -> Answer {
    let legs: Vec<LegLoad> = args
        .rows("legs")?
        .iter()
        .map(|row| LegLoad { hours: row[0], food_g: row[1], water_ml: row[2] })
        .collect();
    let rates = Rates {
        food_g_per_h: args.number("food_g_per_h")?,
        kcal_per_g: args.number("kcal_per_g")?,
        water_ml_per_h: args.number("water_ml_per_h")?,
    };
    let course = carried_mass(args.number("base_g")?, &legs, rates, &required(args)?)?;
    Ok(json!({
        "start": course.start_g, "mean": course.mean_g, "maximum": course.maximum_g,
        "maximum_leg": course.maximum_leg, "finish": course.finish_g,
        "arrivals": course.arrivals.iter().map(|a| a.carried_g).collect::<Vec<_>>(),
        "findings": course.findings.len(),
    }))
}

fn entry(value: &Value) -> Result<Entry, Refusal> {
    let number = |name: &str| value[name].as_f64();
    let leg = |name: &str| value[name].as_u64().map(|leg| leg as usize);
    let mass = match number("mass_g") {
        None => None,
        Some(grams) => Some(EntryMass { mass: MassMg::new(grams)?, own_u_g: number("u_g"), shared: vec![] }),
    };
    Ok(Entry {
        mass,
        quantity: value["quantity"].as_u64().unwrap_or(1) as u32,
        place: match value["place"].as_str() {
            Some("on_body") => CarryPlace::OnBody,
            Some("in_hand") => CarryPlace::InHand,
            Some("drop_bag") => CarryPlace::DropBag,
            _ => CarryPlace::Stowed,
        },
        food: value["food"].as_bool().unwrap_or(false),
        energy: number("kcal").map(Kilocalories::new).transpose()?,
        fill: number("fill_ml").map(Millilitres::new).transpose()?,
        reserve: value["reserve"].as_bool().unwrap_or(false),
        from_leg: leg("from_leg").unwrap_or(0),
        to_leg: leg("to_leg"),
    })
}

/// `legs` are objects of hours, water and drop_bag.
fn loadout(args: &Args) -> Answer {
    let entries: Vec<Entry> = args.list("entries")?.iter().map(entry).collect::<Result<_, _>>()?;
    let mut legs = Vec::new();
    for leg in args.list("legs")? {
        let at_end = |name: &str| leg[name].as_bool().unwrap_or(false);
        let refill = Refill { water: at_end("water"), food: false, drop_bag: at_end("drop_bag") };
        legs.push(Leg { hours: Hours::new(leg["hours"].as_f64().unwrap_or(0.0))?, refill });
    }
    let course = loadout_course(
        &Loadout {
            entries: &entries,
            eat_kcal_per_h: args.number("eat_kcal_per_h")?,
            drink_ml_per_h: args.number("drink_ml_per_h")?,
            required: required(args)?,
        },
        &legs,
    )?;
    let four = |masses: &Masses| -> Answer {
        let maximum = masses.maximum.clone()?;
        Ok(json!([
            masses.start.value_g,
            masses.mean.clone()?.value_g,
            maximum.mass.value_g,
            masses.finish.clone()?.value_g,
        ]))
    };
    Ok(json!({
        "carried": four(&course.carried)?, "total": four(&course.total)?,
        "maximum_leg": course.carried.maximum.clone()?.leg,
        "u_start": course.carried.start.u_g,
        "arrivals": course.arrivals.iter().map(|a| a.carried_g).collect::<Vec<_>>(),
        "kcal": course.arrivals.iter().map(|a| a.food_kcal).collect::<Vec<_>>(),
        "water": course.arrivals.iter().map(|a| a.water_ml).collect::<Vec<_>>(),
    }))
}

fn energy(args: &Args) -> Answer {
    let portion = Nutrients {
        carbohydrate_g: args.number("carbohydrate")?,
        protein_g: args.number("protein")?,
        fat_g: args.number("fat")?,
        fibre_g: args.number("fibre")?,
        alcohol_g: args.number("alcohol")?,
        polyols_g: args.number("polyols")?,
    };
    Ok(json!({ "kcal": portion.energy_kcal()? }))
}

fn density(args: &Args) -> Answer {
    Ok(json!({ "kg_m3": water_density_kg_m3(args.number("celsius")?)? }))
}
