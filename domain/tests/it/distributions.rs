//! Distribution functions against scipy's values.

use domain::distributions::{
    chi_squared_sf, gamma, normal_cdf, normal_log_sf, normal_quantile, normal_sf, student_t_cdf,
    student_t_quantile, student_t_sf, student_t_upper_quantile,
};
use proptest::prelude::*;

use crate::rows::{after, assert_close, read};

#[test]
fn distributions_tabulated_arguments_match_scipy() {
    for row in read("distributions/distributions.csv") {
        let args = row.text("args");
        let arg = |label: &str| after(args, label).value;
        let got = match row.text("topic") {
            "chi2_sf" => chi_squared_sf(arg("x="), arg("df=")),
            "gamma" => gamma(arg("x=")),
            "norm_logsf" => normal_log_sf(arg("x=")),
            "norm_ppf" => normal_quantile(arg("p=")),
            "norm_sf" => normal_sf(arg("x=")),
            "t_ppf" => student_t_quantile(arg("p="), arg("df=")),
            "t_sf" => student_t_sf(arg("x="), arg("df=")),
            topic => panic!("no check for {topic}"),
        };
        assert_close(&format!("{} {args}", row.text("topic")), got, row.number("expected"), row.tolerance());
    }
}

// Values: scipy 1.17.1 (norm.logsf, t.isf, t.sf, chi2.sf), to the digits a double holds.
#[test]
fn distributions_far_tails_keep_relative_accuracy() {
    let relative = |name: &str, got: f64, expected: f64, tolerance: f64| {
        assert_close(name, got / expected, 1.0, tolerance);
    };
    FAR_TAILS.iter().for_each(|(name, x, dof, expected)| match *name {
        "norm_logsf" => relative(name, normal_log_sf(*x), *expected, 1e-12),
        "norm_isf" => relative(name, -normal_quantile(*x), *expected, 1e-13),
        "t_isf" => relative(name, student_t_upper_quantile(*x, *dof), *expected, 1e-9),
        "t_sf" => relative(name, student_t_sf(*x, *dof), *expected, 1e-9),
        "chi2_sf" => relative(name, chi_squared_sf(*x, *dof), *expected, 1e-10),
        _ => panic!("no check for {name}"),
    });
}

const FAR_TAILS: [(&str, f64, f64, f64); 94] = [
    ("norm_logsf", -30.0, 0.0, -4.906713927147908e-198),
    ("norm_logsf", -8.0, 0.0, -6.220960574271742e-16),
    ("norm_logsf", 2.0, 0.0, -3.7831843336820317),
    ("norm_logsf", 4.9, 0.0, -14.551182689355313),
    ("norm_logsf", 5.1, 0.0, -15.588487091871468),
    ("norm_logsf", 8.0, 0.0, -35.01343715991456),
    ("norm_logsf", 20.0, 0.0, -203.9171553710973),
    ("norm_logsf", 38.0, 0.0, -726.5572160188201),
    ("norm_logsf", 100.0, 0.0, -5005.524208694205),
    ("norm_logsf", 10000.0, 0.0, -50000010.12927892),
    ("norm_isf", 0.4, 0.0, 0.2533471031357997),
    ("norm_isf", 0.001, 0.0, 3.090232306167813),
    ("norm_isf", 1e-08, 0.0, 5.612001244174789),
    ("norm_isf", 1e-20, 0.0, 9.262340089798409),
    ("norm_isf", 1e-100, 0.0, 21.273453560965322),
    ("norm_isf", 1e-300, 0.0, 37.0470962993612),
    ("t_isf", 0.3, 1.0, 0.7265425280053609),
    ("t_isf", 0.3, 2.0, 0.6172133998483678),
    ("t_isf", 0.3, 2.5, 0.597307738252318),
    ("t_isf", 0.3, 5.0, 0.5594296444693604),
    ("t_isf", 0.3, 30.0, 0.5300190039065046),
    ("t_isf", 0.3, 1000.0, 0.524567707309227),
    ("t_isf", 0.3, 300000.0, 0.5244010698822649),
    ("t_isf", 0.3, 2000000.0, 0.5244005962841144),
    ("t_isf", 0.025, 1.0, 12.706204736174705),
    ("t_isf", 0.025, 2.0, 4.302652729749464),
    ("t_isf", 0.025, 2.5, 3.5746548420036834),
    ("t_isf", 0.025, 5.0, 2.5705818356363155),
    ("t_isf", 0.025, 30.0, 2.042272456301238),
    ("t_isf", 0.025, 1000.0, 1.9623390808264085),
    ("t_isf", 0.025, 300000.0, 1.9599718921421831),
    ("t_isf", 0.025, 2000000.0, 1.959965170676375),
    ("t_isf", 0.0001, 1.0, 3183.0987571181513),
    ("t_isf", 0.0001, 2.0, 70.70007107496428),
    ("t_isf", 0.0001, 2.5, 34.86796932111477),
    ("t_isf", 0.0001, 5.0, 9.677566300882592),
    ("t_isf", 0.0001, 30.0, 4.233985957272021),
    ("t_isf", 0.0001, 1000.0, 3.7328516045753686),
    ("t_isf", 0.0001, 300000.0, 3.719062450167677),
    ("t_isf", 0.0001, 2000000.0, 3.7190233800976764),
    ("t_isf", 1e-10, 1.0, 3183098861.8379064),
    ("t_isf", 1e-10, 2.0, 70710.67810804816),
    ("t_isf", 1e-10, 2.5, 8765.437771364572),
    ("t_isf", 1e-10, 5.0, 156.82559270889433),
    ("t_isf", 1e-10, 30.0, 9.377489780407144),
    ("t_isf", 1e-10, 1000.0, 6.427876283134213),
    ("t_isf", 1e-10, 300000.0, 6.361560728534903),
    ("t_isf", 1e-10, 2000000.0, 6.361373875493984),
    ("t_isf", 1e-30, 1.0, 3.183098861837907e+29),
    ("t_isf", 1e-30, 2.0, 707106781186547.5),
    ("t_isf", 1e-30, 2.5, 876543788227.9991),
    ("t_isf", 1e-30, 5.0, 1568392.5590979715),
    ("t_isf", 1e-30, 30.0, 49.888195533043856),
    ("t_isf", 1e-30, 1000.0, 11.854333104084482),
    ("t_isf", 1e-30, 300000.0, 11.465289897854255),
    ("t_isf", 1e-30, 2000000.0, 11.46421445488775),
    ("t_sf", 0.1, 1.0, 0.4682744825694465),
    ("t_sf", 0.1, 3.0, 0.46332617440040297),
    ("t_sf", 0.1, 7.3, 0.46151774856991473),
    ("t_sf", 0.1, 40.0, 0.4604219265226401),
    ("t_sf", 0.1, 500.0, 0.4601922037684381),
    ("t_sf", 0.1, 100000.0, 0.46017226295336316),
    ("t_sf", 0.1, 5000000.0, 0.4601721647275813),
    ("t_sf", 2.0, 1.0, 0.14758361765043326),
    ("t_sf", 2.0, 3.0, 0.06966298427942152),
    ("t_sf", 2.0, 7.3, 0.041970519667051565),
    ("t_sf", 2.0, 40.0, 0.026161171607524594),
    ("t_sf", 2.0, 500.0, 0.023020341384515728),
    ("t_sf", 2.0, 100000.0, 0.022751481728753256),
    ("t_sf", 2.0, 5000000.0, 0.022750158943665028),
    ("t_sf", 10.0, 1.0, 0.03172551743055357),
    ("t_sf", 10.0, 3.0, 0.0010641995292070751),
    ("t_sf", 10.0, 7.3, 8.050127600740506e-06),
    ("t_sf", 10.0, 40.0, 9.656558502057753e-13),
    ("t_sf", 10.0, 500.0, 6.930246799119929e-22),
    ("t_sf", 10.0, 100000.0, 7.816507650103626e-24),
    ("t_sf", 10.0, 5000000.0, 7.623739735830939e-24),
    ("t_sf", 60.0, 1.0, 0.005304673632623272),
    ("t_sf", 60.0, 3.0, 5.0997968366598774e-06),
    ("t_sf", 60.0, 7.3, 2.0998074451438044e-11),
    ("t_sf", 60.0, 40.0, 4.155495211860721e-41),
    ("t_sf", 60.0, 500.0, 6.696770633632216e-231),
    ("t_sf", 1000.0, 1.0, 0.0003183097800805589),
    ("t_sf", 1000.0, 3.0, 1.102653821288296e-09),
    ("t_sf", 1000.0, 7.3, 2.5441292552734195e-20),
    ("t_sf", 1000.0, 40.0, 6.886946070925675e-90),
    ("chi2_sf", 0.01, 1.0, 0.920344325445942),
    ("chi2_sf", 5.0, 1.0, 0.025347318677468325),
    ("chi2_sf", 122.249126, 1.0, 2.035982784109697e-28),
    ("chi2_sf", 60.0, 3.0, 5.878230727906921e-13),
    ("chi2_sf", 300.0, 10.0, 1.5546747543803087e-58),
    ("chi2_sf", 1200.0, 2.0, 2.6503965530042593e-261),
    ("chi2_sf", 400.0, 300.0, 9.678621994933555e-05),
    ("chi2_sf", 9000.0, 10000.0, 0.999999999999873),
];

proptest! {
    #[test]
    fn student_t_quantile_of_its_tail_returns(x in 0.01f64..200.0, dof in 1.0f64..5000.0) {
        let tail = student_t_sf(x, dof);
        prop_assume!(tail > 1e-280);
        let back = student_t_upper_quantile(tail, dof);
        prop_assert!((back / x - 1.0).abs() < 1e-9, "{x} {dof} {back}");
        prop_assert!((student_t_cdf(x, dof) - (1.0 - tail)).abs() < 1e-12);
    }

    #[test]
    fn normal_quantile_of_its_cdf_returns(x in -8.0f64..5.0) {
        prop_assert!((normal_quantile(normal_cdf(x)) - x).abs() < 1e-9);
    }
}
