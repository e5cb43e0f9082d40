//! How ln head is distributed at one use, as a model tells it.

use super::marginal::Marginal;
use crate::distributions::{normal_quantile, normal_sf, student_t_sf, student_t_upper_quantile};
use crate::no_estimate::NoEstimate;

/// ln head (mm) of a garment at one use, and of the next test there.
#[derive(Debug, Clone)]
pub struct LnHead {
    mean: f64,
    sd: f64,
    sd_next: f64,
    shape: Shape,
}

#[derive(Debug, Clone)]
enum Shape {
    Normal,
    Student { dof: f64 },
    Table(Box<Marginal>),
}

impl LnHead {
    /// Normal, with standard deviations of the garment and of the next test.
    #[must_use]
    pub fn normal(mean: f64, sd: f64, sd_next: f64) -> Self {
        Self { mean, sd, sd_next, shape: Shape::Normal }
    }

    /// Student's t, by standard errors.
    #[must_use]
    pub fn student(mean: f64, sd: f64, sd_next: f64, dof: f64) -> Self {
        Self { mean, sd, sd_next, shape: Shape::Student { dof } }
    }

    pub(super) fn table(mean: f64, sd: f64, sd_next: f64, table: Marginal) -> Self {
        Self { mean, sd, sd_next, shape: Shape::Table(Box::new(table)) }
    }

    /// Mean, and standard deviation of the garment and of the next test.
    #[must_use]
    pub fn moments(&self) -> (f64, f64, f64) {
        (self.mean, self.sd, self.sd_next)
    }

    /// What the garment exceeds with probability one half.
    ///
    /// # Errors
    /// `Because` where that is not to be found in numbers.
    pub fn median(&self) -> Result<f64, NoEstimate> {
        match &self.shape {
            Shape::Table(table) => table.true_exceeds(0.5),
            _ => Ok(self.mean),
        }
    }

    /// What the next test exceeds with probability `p`.
    ///
    /// # Errors
    /// `Because` where `p` is too close to 0 or 1.
    pub fn next_exceeds(&self, p: f64) -> Result<f64, NoEstimate> {
        match &self.shape {
            Shape::Normal => Ok(self.mean - normal_quantile(p) * self.sd_next),
            // Whichever tail is smaller keeps its digits.
            Shape::Student { dof } if p < 0.5 => {
                Ok(self.mean + student_t_upper_quantile(p, *dof) * self.sd_next)
            }
            Shape::Student { dof } => Ok(self.mean - student_t_upper_quantile(1.0 - p, *dof) * self.sd_next),
            Shape::Table(table) => table.next_exceeds(p, self.mean, self.sd_next),
        }
    }

    /// P(the garment's ln head >= `ln`).
    #[must_use]
    pub fn p_true(&self, ln: f64) -> f64 {
        self.exceeds(ln, self.sd, Marginal::p_true)
    }

    /// P(the next test's ln head >= `ln`).
    #[must_use]
    pub fn p_next(&self, ln: f64) -> f64 {
        self.exceeds(ln, self.sd_next, Marginal::p_next)
    }

    fn exceeds(&self, ln: f64, sd: f64, of_table: impl Fn(&Marginal, f64) -> f64) -> f64 {
        match &self.shape {
            Shape::Normal => normal_sf((ln - self.mean) / sd),
            Shape::Student { dof } => student_t_sf((ln - self.mean) / sd, *dof),
            Shape::Table(table) => of_table(table, ln),
        }
    }
}
