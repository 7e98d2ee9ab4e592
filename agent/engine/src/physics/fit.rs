//! Fits the two-node ride-through model to a recorded load step or cooling interruption, by least squares.
//!
//! Samples are time (s), air temperature (°C) and the heat that stays in the air since the sample before (kW: IT and fan
//! power less what is still carried away). Before the first sample air and equipment are taken to be in balance. Between
//! samples the model is solved exactly: mean and difference of the two nodes are independent. Levenberg–Marquardt
//! (textbook) on the logarithms of air capacity, equipment capacity and heat transfer, so that none becomes negative.
//! Uncertainties are two standard errors, with fewer effective samples when the residuals hang together, and what two nodes
//! leave out of aisles and racks: 30 % of the air's capacity, 10 % of the rest (assumed; fits of the simulated module lie
//! within). A result holds for the condition it was measured in, which travels with it. Capacities kJ/K, transfer kW/K. Never panics.

use super::{NoNumber, finite, outside, within};

/// Where samples came from: what a fit may be used for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Condition {
    /// Load banks: their mass and air flow are not the equipment's.
    LoadBank,
    /// The maker's test bay with its plant: loop volume and chiller are not the site's.
    TestBay,
    /// On site with the equipment in place.
    Site,
}

impl Condition {
    /// Its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::LoadBank => "load_bank",
            Self::TestBay => "test_bay",
            Self::Site => "site",
        }
    }
}

/// Parameters with their relative uncertainties.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TwoNode {
    /// Heat capacity of the air, kJ/K.
    pub c_air: f64,
    /// Heat capacity of the equipment, kJ/K.
    pub c_mass: f64,
    /// Heat transfer between them, kW/K.
    pub ha_kw_k: f64,
    /// Relative uncertainty of each, in that order: two standard errors, and that of the model's shape.
    pub relative: [f64; 3],
    /// Standard deviation of the samples from the model, K.
    pub rms_k: f64,
    /// Where the samples came from.
    pub condition: Condition,
}

/// What two nodes leave out of aisles and racks: relative uncertainty of each parameter.
const SHAPE: [f64; 3] = [0.30, 0.10, 0.10];

/// Fits. A start is `guess` in kJ/K, kJ/K and kW/K; a factor of ten off still finds home.
///
/// # Errors
/// `DomainError` for fewer than 10 or unequal numbers of samples, times that do not rise, temperatures outside
/// −100…200 °C or heats beyond a megawatt; `Undefined` when the samples do not determine the parameters.
pub fn fit_two_node(
    t_s: &[f64],
    air_c: &[f64],
    q_kw: &[f64],
    guess: [f64; 3],
    condition: Condition,
) -> Result<TwoNode, NoNumber> {
    check(t_s, air_c, q_kw)?;
    let samples = Samples { t_s, air_c, q_kw };
    let mut at = [0.0; 3];
    for (log, (name, value)) in at.iter_mut().zip(["c_air", "c_mass", "ha_kw_k"].into_iter().zip(guess)) {
        *log = libm::log(within(name, value, 1e-6, 1e9)?);
    }
    let mut damping = 1e-2;
    let mut best = samples.normal(at);
    for _ in 0..200 {
        let Some(step) = solve(best.damped(damping), best.gradient) else {
            damping *= 10.0;
            continue;
        };
        // No step of more than a factor of e at once.
        let tried = core::array::from_fn(|i| at[i] + step[i].clamp(-1.0, 1.0));
        let found = samples.normal(tried);
        if found.sum < best.sum {
            let gain = best.sum - found.sum;
            let still = gain <= 1e-12 * best.sum && step.iter().all(|s| libm::fabs(*s) < 1e-7);
            (at, best, damping) = (tried, found, (damping / 5.0).max(1e-12));
            if still {
                break;
            }
        } else {
            damping *= 5.0;
            if damping > 1e12 {
                break;
            }
        }
    }
    let relative = samples.uncertainty(at, &best)?;
    #[allow(clippy::cast_precision_loss)] // no slice has 2^53 samples
    let rms_k = libm::sqrt(best.sum / (t_s.len() as f64 - 3.0));
    let [c_air, c_mass, ha_kw_k] = at.map(libm::exp);
    finite("air_c", c_air + c_mass + ha_kw_k + rms_k)?;
    Ok(TwoNode { c_air, c_mass, ha_kw_k, relative, rms_k, condition })
}

fn check(t_s: &[f64], air_c: &[f64], q_kw: &[f64]) -> Result<(), NoNumber> {
    if t_s.len() < 10 {
        return Err(outside("t_s", "at least 10 samples"));
    }
    if air_c.len() != t_s.len() {
        return Err(outside("air_c", "as many as t_s"));
    }
    if q_kw.len() != t_s.len() {
        return Err(outside("q_kw", "as many as t_s"));
    }
    for ((t, air), q) in t_s.iter().zip(air_c).zip(q_kw) {
        within("t_s", *t, -1e9, 1e9)?;
        within("air_c", *air, -100.0, 200.0)?;
        within("q_kw", *q, -1e3, 1e3)?;
    }
    if t_s.windows(2).any(|pair| pair[1] <= pair[0]) {
        return Err(outside("t_s", "in order of time, no two at once"));
    }
    Ok(())
}

struct Samples<'a> {
    t_s: &'a [f64],
    air_c: &'a [f64],
    q_kw: &'a [f64],
}

/// Normal equations at a point.
#[derive(Clone, Copy)]
struct Normal {
    matrix: [[f64; 3]; 3],
    gradient: [f64; 3],
    sum: f64,
    /// Sum of products of neighbouring residuals.
    neighbours: f64,
}

impl Normal {
    fn damped(&self, damping: f64) -> [[f64; 3]; 3] {
        let mut matrix = self.matrix;
        for (i, row) in matrix.iter_mut().enumerate() {
            row[i] *= 1.0 + damping;
        }
        matrix
    }
}

/// The two nodes as mean and difference, both from the first sample on.
#[derive(Clone, Copy, Default)]
struct Nodes {
    mean: f64,
    apart: f64,
}

impl Nodes {
    fn step(&mut self, [ca, cs, ha]: [f64; 3], dt: f64, q: f64) {
        let both = ca + cs;
        let tau = ca / both * cs / ha;
        // d(apart)/dt = q/ca − apart/τ, exactly over a step of constant heat.
        let settled = q / ca * tau;
        self.apart += (settled - self.apart) * -libm::expm1(-dt / tau);
        self.mean += q / both * dt;
    }

    fn air(&self, [ca, cs, _]: [f64; 3]) -> f64 {
        self.mean + cs / (ca + cs) * self.apart
    }
}

impl Samples<'_> {
    /// Residuals and their slopes, by differences in the logarithms, four models side by side.
    fn normal(&self, at: [f64; 3]) -> Normal {
        const STEP: f64 = 1e-5;
        let models: [[f64; 3]; 4] =
            core::array::from_fn(|m| core::array::from_fn(|i| libm::exp(at[i] + if m == i + 1 { STEP } else { 0.0 })));
        let mut nodes = [Nodes::default(); 4];
        let mut normal = Normal { matrix: [[0.0; 3]; 3], gradient: [0.0; 3], sum: 0.0, neighbours: 0.0 };
        let (mut before, mut residual_before) = (self.t_s[0], 0.0);
        for ((t, air), q) in self.t_s.iter().zip(self.air_c).zip(self.q_kw) {
            let dt = t - before;
            before = *t;
            for (node, model) in nodes.iter_mut().zip(models) {
                node.step(model, dt, *q);
            }
            let values: [f64; 4] = core::array::from_fn(|m| nodes[m].air(models[m]));
            let residual = air - self.air_c[0] - values[0];
            let slopes: [f64; 3] = core::array::from_fn(|i| (values[i + 1] - values[0]) / STEP);
            for i in 0..3 {
                normal.gradient[i] += slopes[i] * residual;
                for j in 0..3 {
                    normal.matrix[i][j] += slopes[i] * slopes[j];
                }
            }
            normal.sum += residual * residual;
            normal.neighbours += residual * residual_before;
            residual_before = residual;
        }
        normal
    }

    /// Two standard errors of the logarithms, which are relative uncertainties.
    fn uncertainty(&self, at: [f64; 3], normal: &Normal) -> Result<[f64; 3], NoNumber> {
        let none = NoNumber::Undefined("the samples do not determine air, equipment and transfer: record for longer");
        #[allow(clippy::cast_precision_loss)] // no slice has 2^53 samples
        let n = self.t_s.len() as f64;
        // Neighbours that are alike carry less than one sample each: n (1 − ρ)/(1 + ρ).
        let alike = if normal.sum > 0.0 { (normal.neighbours / normal.sum).clamp(0.0, 0.99) } else { 0.0 };
        let inflation = (1.0 + alike) / (1.0 - alike);
        let variance = normal.sum / (n - 3.0) * inflation;
        let mut relative = [0.0; 3];
        for (i, relative) in relative.iter_mut().enumerate() {
            let mut unit = [0.0; 3];
            unit[i] = 1.0;
            let inverse = solve(normal.matrix, unit).ok_or(none)?;
            *relative = 2.0 * libm::sqrt((variance * inverse[i]).max(0.0));
            *relative = libm::hypot(*relative, SHAPE[i]);
            if !relative.is_finite() || *relative > 2.0 || libm::fabs(at[i]) > 30.0 {
                return Err(none);
            }
        }
        Ok(relative)
    }
}

/// Solves three equations by elimination with pivots; `None` where they do not determine the answer.
fn solve(mut a: [[f64; 3]; 3], mut b: [f64; 3]) -> Option<[f64; 3]> {
    for column in 0..3 {
        let pivot = (column..3).max_by(|x, y| libm::fabs(a[*x][column]).total_cmp(&libm::fabs(a[*y][column])))?;
        a.swap(column, pivot);
        b.swap(column, pivot);
        let above = a[column];
        let head = above[column];
        if !head.is_finite() || libm::fabs(head) < 1e-300 {
            return None;
        }
        for row in column + 1..3 {
            let factor = a[row][column] / head;
            for (value, above) in a[row].iter_mut().zip(above).skip(column) {
                *value -= factor * above;
            }
            b[row] -= factor * b[column];
        }
    }
    let mut x = [0.0; 3];
    for row in (0..3).rev() {
        let rest: f64 = (row + 1..3).map(|k| a[row][k] * x[k]).sum();
        x[row] = (b[row] - rest) / a[row][row];
    }
    x.iter().all(|v| v.is_finite()).then_some(x)
}

#[cfg(test)]
mod tests;
