"""What the results table holds of changes: the record of each statistic."""

from dataclasses import replace
from typing import Final

from agreement.stats.change.change import change_of
from agreement.stats.limits.limits_of_agreement import BIAS, LOWER, UPPER
from agreement.stats.record import Analysis, Privacy, declared

RECORD: Final = Analysis(
    name="change",
    place=120,
    label="agreement of changes",
    statistics=declared(
        replace(BIAS, meaning="Mean of field change minus laboratory change."),
        LOWER,
        UPPER,
        """
        r [1]: correlation of changes
          How closely both methods rank the changes of the same people.
          = least squares of field change on laboratory change | Hopkins 2000
        slope [1]: attenuated slope of field change on laboratory change
          Change seen in the field for each mL/kg/min of change in the laboratory, noise and all.
        same_direction [1]: share of changes in the same direction / share in the same direction
          Share of changes that field and laboratory see go the same way.
          = count over number, Wilson's interval | Critchley 2010
        same_direction_beyond_noise [1]: share of changes beyond noise in the same direction
          The same, of laboratory changes larger than the smallest real change.
        responsiveness [1]: field change per unit of true change / field per unit of true change
          Change seen in the field for each mL/kg/min of true change, the laboratory's noise taken
          out.
          = least-squares slope over the reliability of laboratory changes; interval by MOVER-R
          | Fuller 1987; Donner & Zou 2012
        p_no_response [p]: p of no response
          How often chance alone would make the field follow this much.
          = t test of the least-squares slope | Fuller 1987; Donner & Zou 2012
        p_full_response [p]: p of a full response
          How often chance alone would take a full response this far from 1.
          = moments of both changes compared, athlete by athlete | Fuller 1987; Donner & Zou 2012
        smallest_real_change: smallest real change
          A change of the field value between visits below it may be the method's noise alone.
          = z times the spread of field change less laboratory change, net of the laboratory | Zou &
          Donner 2008
        real_change_on_card: change that is more than noise
          A larger change of the field value is more than this method's noise.
          = upper end of the smallest real change, or of the whole spread of field changes | Zou &
          Donner 2008
        disagreement: disagreement of changes
          Field and laboratory changes differ by up to this.
          = z times the standard deviation of field change less laboratory change | Zou & Donner
          2008
        """,
    ),
    privacy=Privacy.WHOLE,
    compute=change_of,
    own_section=True,
)
