"""What a signatory reads, held to something that is not ours: a publication, a reference library, a closed form.

Each file has one subject and says in its docstring where its figures come from. ``closed_form``, ``made_records``,
``fixed_share_firing`` and ``explicit_firing`` make the truth; of the program they use only what takes a dataset. A
row's status is that of its figures: confirmed (the printed value was seen), memory, derived, library (recomputed in the
test by scipy). Files without a folder stand here, the others from ``tests`` on.

| result | source | status | tolerance | file |
|---|---|---|---|---|
| total impulse: trapezoid 31,750 N*s; half-sine | closed form | derived | 3e-8; 1e-7 | test_total_impulse.py |
| vacuum referral | [Sutton] ch. 2, by hand | confirmed | 1e-6 | test_total_impulse.py |
| burn time 10 to 10 %, 6.63 s | closed form | derived | 20 us | test_total_impulse.py |
| vacuum impulse of a burn, CF x throat x integral of pc | closed form | derived | 1e-3 | test_firing_numbers.py |
| weight correction, nozzle down and up | closed form | derived | 1e-4 of impulse | test_firing_numbers.py |
| c*, Isp | [ECSS-E-ST-35C], [Sutton] ch. 2, closed form | confirmed | 1e-3 | test_firing_numbers.py |
| CF; O/F | closed form | derived | 2e-4; 1e-6 | test_firing_numbers.py |
| CdA and exponent of a firing's tanks | closed form | derived | 0.2 %; 0.01 | test_firing_numbers.py |
| CdA, exponent of a water flow, closed or run out | incomplete beta | derived | 0.2 %; 0.01 | test_cold_flow.py |
| exponent trap, gauge for absolute: 1.2569 | closed form | derived | 0.002 | test_cold_flow.py |
| nominal figures of a firing's prediction | scipy solve_ivp, brentq | library | 1e-3 | test_prediction.py |
| water flow's prediction | incomplete beta | derived | 1e-6 | test_prediction.py |
| Isp of example 2-1; 3-2 | [Sutton] | memory | 1e-14; printed | test_specific_impulse.py |
| class verdict, guard, probability | [JCGM106], scipy.stats | library | 1e-9 | test_verdict_rule.py |
| coverage factors of few readings | [GUM] table G.2, scipy.stats | memory | printed | test_verdict_rule.py |
| worked cases of conformity | [JCGM106] | memory | printed | analysis/physics/test_impulse_limits.py |
| class limits | [CFR101], [CFR1] | confirmed | exact | analysis/physics/test_impulse_limits.py |
| effective degrees of freedom | [GUM] G.4.1, H.1 | memory | 3e-3 | analysis/budget/test_terms.py |
| pressure at a nozzle's exit | NACA 1135, [Sutton] | memory | 1e-4 | analysis/physics/test_nozzle_expansion.py |
| a tank cold; stretched | NIST; by hand | memory, derived | printed | analysis/physics/test_vessel_volume.py |
| air; a mass weighed in it | note; by hand | memory, derived | printed | analysis/dataset/test_as_weighed.py |
| calibration fit: Pontius, Norris | [StRD] | confirmed | 10 digits | daq/config/test_calibration.py |
| calibration fit: thermometer | [GUM] H.3 | confirmed | printed | daq/config/test_calibration.py |
| degree, prediction: Pontius | [StRD] | derived | 1e-6; 1e-8 | analysis/calibration/test_level_fit.py |
| prediction, covariance lost | [GUM] H.3 | confirmed, derived | 1e-5 | analysis/calibration/test_level_fit.py |
| gravity; hung force | WGS 84; OIML D 28 | memory, confirmed | 6e-7 | analysis/calibration/test_applied_level.py |
| limits of scales and weights | OIML R 76, R 111 | confirmed | printed | analysis/calibration/test_applied_level.py |
| three non-linearities of a bow | closed form | derived | 1e-3; 3e-2 | analysis/calibration/test_sensor_terms.py |
| stacked and common masses | closed form | derived | 4 % | analysis/calibration/test_reference_error.py |
| log decrement; u of a tap | textbook; by hand | confirmed, derived | 1e-4 | analysis/calibration/test_tap_fit.py |
| leak units; laminar leak | unit table, texts | confirmed, derived | printed | analysis/calibration/test_leak_rate.py |
| real gas of a hold: Z, ln P by ln T, density | CoolProp | library | 2e-5 | analysis/calibration/test_leak_rate.py |
| slope of a random walk: 6/5 | closed form | derived | 4 % | analysis/calibration/test_load_by_cell.py |
| shunt of a bridge; angles | two dividers; cosine | derived | 1e-6; 5e-6 | analysis/stand_checks/test_stand_checks.py |
| bytes of a frame | the encoder | library | exact | analysis/stand_checks/test_link_budget.py |
| nonlinear fits | [StRD] | confirmed | 8 digits | analysis/signal/test_least_squares.py |
| spectra; A^2/2; Parseval | scipy.signal, closed form | library | 1e-9; 1e-3; 1e-9 | test_spectral_lines.py |
| line of a chamber: frequency, amplitude, rms | scipy.signal | library | 0.1 Hz; 2 % | test_spectral_lines.py |
| worth of overlapping segments | [Welch1967], scipy.signal | memory, library | 2 % | test_spectral_lines.py |
| rate of a device clock | [Moon99], scipy linprog | confirmed, library | 1e-10 | test_clock_line.py |
| twelve pairs of 50 ppm | made by hand | derived | 1e-15 | daq/recovery/test_device_clock.py |
"""
