"""Names of the modules that this one was split into, for those that are being changed elsewhere."""

# ruff: noqa: F401
from simbank.simulation import arrays as ar
from simbank.simulation.bank_solver import (
    add_series_resistance,
    currents,
    flow,
    solve_bank,
    terminal_voltage,
    working_arrays,
)
from simbank.simulation.devices import damage_rate, device_current
from simbank.simulation.extremes import reach_branches, reach_ends, reach_flows, reach_states
from simbank.simulation.integrals import accumulate, add_cells, add_heat_out, add_instant, observe, record_sample
from simbank.simulation.ode import jacobian, rates, rates_solved, solve_in_place
from simbank.simulation.pack_model import (
    EMPTY_SOC,
    FULL_SOC,
    KELVIN,
    cell_state,
    cell_volts,
    hysteresis_heat,
    pack_heat,
    relaxation_heat,
    state_rates,
    stored_energy_j,
    temperature_rate,
)
from simbank.simulation.port_solver import commanded, imposed, port_currents

# Names that modules which are being changed elsewhere still use.
N_STATES = ar.N_STATES
TAU1 = ar.TAU1
Q = ar.CAPACITY_AS
HEAT_CAPACITY = ar.HEAT_CAPACITY
R1 = ar.R1
ARRHENIUS_RC = ar.ARRHENIUS_RC_K
HEAT_LOSS = ar.HEAT_LOSS
GAMMA = ar.GAMMA
R_WIRING = ar.R_WIRING
R_REF = ar.R_REF
N_CELL_ROWS = ar.N_CELL_ROWS
N_CURVES = ar.N_CURVES
LIVE = ar.LIVE
RECOVERY = ar.RECOVERY_VOLT
RESISTANCE = ar.MODE_RESISTANCE
MODE = ar.MODE
OFF = ar.MODE_OFF
POWER = ar.MODE_POWER
CURRENT = ar.MODE_CURRENT
CURRENT_MAX = ar.CURRENT_MAX
N_PORT_COLUMNS = ar.N_PORT_COLUMNS
LEAST = ar.MIN_TRIP_MULTIPLE
RATING = ar.RATING_A
COOLING = ar.THERMAL_TIME_CONSTANT_S
N_DEVICE_COLUMNS = ar.N_DEVICE_COLUMNS
INSTANT_DELAY = ar.PICKUP_DELAY_S
ACC_REVERSIBLE = ar.ACC_REVERSIBLE_J
ACC_HYSTERESIS = ar.ACC_HYSTERESIS_J
ACC_OHMIC = ar.ACC_OHMIC_J
ACC_LAST_SOC = ar.ACC_LAST_SOC
ACC_HEAT_OUT = ar.ACC_HEAT_OUT_J
ACC_RELAX = ar.ACC_RELAXATION_J
E_BY_ZT = ar.EMF_BY_SOC_T
G = ar.RC_FACTOR
G_BY_Z = ar.RC_FACTOR_SLOPE
E_BY_T = ar.EMF_BY_T
WARMTH = ar.ARRHENIUS_FACTOR
GAP = ar.HYSTERESIS_HEAT
N_PORT_WORK = ar.N_PORT_WORK
R_BY_Z = ar.R_BY_SOC
I_PACK = ar.PACK_CURRENT
R_NOW = ar.R_OHMIC
GAP_BY_Z = ar.HALF_WIDTH_SLOPE
E = ar.EMF
J = ar.PORT_CURRENT
R_BY_T = ar.R_BY_T
OHMIC = ar.OHMIC_HEAT
E_BY_H = ar.EMF_BY_HYSTERESIS
RELAX = ar.RELAXATION_HEAT
REVERSIBLE = ar.REVERSIBLE_HEAT
E_BY_Z = ar.EMF_BY_SOC
V = ar.PORT_VOLTAGE
resist = add_series_resistance
warming = temperature_rate
gather = add_instant
gather_cells = add_cells
note = record_sample
